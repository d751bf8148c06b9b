"""Required codes and invariants: everything we emit keeps them, and each rule notices what breaks it."""

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from careplan_bridge.errors import OurFault
from careplan_bridge.fhir import bindings
from careplan_bridge.fhir.bundles import transaction
from careplan_bridge.fhir.conformity import conforming
from careplan_bridge.fhir.elements import Resource
from tests.fhir import demo
from tests.fhir.generated import a_plan

DEG = {"value": 90, "unit": "degree", "system": "http://unitsofmeasure.org", "code": "deg"}
TARGET = {"code": "x", "equivalence": "narrower"}
ENTRY = {"fullUrl": "urn:uuid:1", "resource": {"resourceType": "Patient", "active": True}}

BROKEN: list[tuple[str, Resource]] = [
    ("ele-1", {"resourceType": "Goal", "note": []}),
    (
        "cpl-3",
        {
            "resourceType": "CarePlan",
            "activity": [{"reference": {"reference": "Task/1"}, "detail": {"status": "unknown"}}],
        },
    ),
    ("gol-1", {"resourceType": "Goal", "target": [{"detailRange": {"low": DEG}}]}),
    (
        "qty-3",
        {"resourceType": "Goal", "target": [{"measure": {"text": "x"}, "detailQuantity": {"value": 1, "code": "deg"}}]},
    ),
    (
        "drt-1",
        {
            "resourceType": "Goal",
            "extension": [{"url": "x", "valueDuration": {"value": 1, "system": "urn:x", "code": "d"}}],
        },
    ),
    (
        "sqty-1",
        {
            "resourceType": "Goal",
            "target": [{"measure": {"text": "x"}, "detailRange": {"low": {**DEG, "comparator": ">"}}}],
        },
    ),
    (
        "rng-2",
        {
            "resourceType": "Goal",
            "target": [{"detailRange": {"low": DEG, "high": {**DEG, "value": msgspec.Raw(b"89.5")}}}],
        },
    ),
    ("per-1", {"resourceType": "CarePlan", "period": {"start": "2026-03-02", "end": "2026-03-01"}}),
    ("cmd-1", {"resourceType": "ConceptMap", "group": [{"element": [{"target": [TARGET]}]}]}),
    ("csd-1", {"resourceType": "CodeSystem", "concept": [{"code": "a"}, {"code": "a"}]}),
    ("que-2", {"resourceType": "Questionnaire", "item": [{"linkId": "a", "item": [{"linkId": "a"}]}]}),
    ("bdl-3", {"resourceType": "Bundle", "type": "transaction", "entry": [ENTRY]}),
    ("bdl-7", {"resourceType": "Bundle", "type": "collection", "entry": [ENTRY, ENTRY]}),
    ("bdl-8", {"resourceType": "Bundle", "type": "collection", "entry": [{**ENTRY, "fullUrl": "urn:x/_history/1"}]}),
    ("same PlanDefinition", {"resourceType": "PlanDefinition", "action": [{"action": [{"goalId": ["gone"]}]}]}),
]


@pytest.mark.parametrize(("rule", "resource"), BROKEN, ids=[rule for rule, _ in BROKEN])
def test_each_rule_notices_what_breaks_it(rule: str, resource: Resource) -> None:
    assert any(rule in said for said in bindings.violations(resource))


def test_every_rule_has_an_example_that_breaks_it() -> None:
    said = {line.split(": ", 1)[1] for _, resource in BROKEN for line in bindings.violations(resource)}
    assert said == set(bindings.RULES)


@pytest.mark.parametrize("path", bindings.REQUIRED)
def test_a_code_that_r4_does_not_have_is_noticed(path: str) -> None:
    kind, *inner, last = path.split(".")
    element: Resource = {last: "banana"}
    for name in reversed(inner):
        element = {name: [element]}
    assert any("'banana'" in said for said in bindings.violations({"resourceType": kind, **element}))


@pytest.mark.parametrize("name", demo.PROTOCOLS)
def test_definitions_keep_them(name: str) -> None:
    assert [said for one in demo.definitions(name) for said in bindings.violations(one)] == []


@given(st.randoms(use_true_random=False).map(a_plan).map(transaction))
def test_plans_keep_them(bundle: Resource) -> None:
    assert list(bindings.violations(bundle)) == []


@pytest.mark.parametrize(
    "wrong",
    [
        {"lifecycleStatus": "planned", "description": {"text": "x"}},
        {
            "lifecycleStatus": "planned",
            "description": {"text": "x"},
            "subject": {"reference": "Patient/1"},
            "unheardOf": 1,
        },
        {"lifecycleStatus": "banana", "description": {"text": "x"}, "subject": {"reference": "Patient/1"}},
    ],
    ids=["missing", "unknown", "code"],
)
def test_what_is_not_r4_is_a_fault_of_ours_that_quotes_no_text(wrong: Resource) -> None:
    secret = {**wrong, "note": [{"text": "Robin Vale"}]}
    with pytest.raises(OurFault) as fault:
        conforming({"resourceType": "Goal", **secret})
    assert "Robin" not in str(fault.value)
