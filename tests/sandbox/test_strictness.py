"""Rules that no case of data/peer/ shows, and the table that they stand on."""

import json
from importlib.resources import files
from typing import Any, cast

import pytest
from hypothesis import given
from hypothesis import strategies as st

from careplan_bridge.sandbox.definitions import codes_of, elements_of, is_primitive, table
from careplan_bridge.sandbox.jsontext import parse, render
from careplan_bridge.sandbox.strictness import faults
from tests.sandbox import peer

json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


def sound_bodies() -> list[dict[str, Any]]:
    """The resources that the cases expect to be stored, parsed as the sandbox does it."""
    cases = [peer.load(name) for name in peer.names() if name.startswith("body-")]
    bodies = [case["request"]["body"] for case in cases if case["expected"]["status"] == 201]
    return cast("list[dict[str, Any]]", parse(json.dumps(bodies).replace("{run}", "run").encode()))


SOUND = sound_bodies()


@given(st.sampled_from(SOUND), st.data())
def test_whatever_stands_in_an_element_is_judged_not_stumbled_over(body: dict[str, Any], data: st.DataObject) -> None:
    name = data.draw(st.sampled_from(sorted(elements_of(body["resourceType"]))))
    value = data.draw(json_values)
    faults({**body, name: value})


@given(st.sampled_from(SOUND))
def test_every_required_element_is_missed(body: dict[str, Any]) -> None:
    needed = [e.name for e in elements_of(body["resourceType"]).values() if e.required and e.name in body]
    for name in needed:
        without = {key: value for key, value in body.items() if key.removeprefix("_") != name}
        assert [issue.code for issue in faults(without)] == ["required"]


def test_a_fault_deep_inside_is_located() -> None:
    activity = {"detail": {"status": "in-progress", "goal": [{"reference": 5}]}}
    body: dict[str, Any] = {
        "resourceType": "CarePlan",
        "status": "draft",
        "intent": "plan",
        "subject": {},
        "activity": [activity],
    }
    located = {issue.where: issue.code for issue in faults(body)}
    assert located == {"CarePlan.subject": "invariant", "CarePlan.activity[0].detail.goal[0].reference": "value"}


NULLS: list[tuple[list[Any], Any, list[str]]] = [
    (["A", None], [None, {"extension": [{"url": "urn:x", "valueCode": "unknown"}]}], []),
    (["A", None], [None, None], ["value"]),
    (["A", None], None, ["value"]),
    (["A"], [{"id": "a"}], []),
    (["A"], [{}], ["invariant"]),
]


@pytest.mark.parametrize(("given_name", "companion", "codes"), NULLS)
def test_nulls_stand_only_beside_an_extension(given_name: list[Any], companion: Any, codes: list[str]) -> None:
    name = {"given": given_name, **({} if companion is None else {"_given": companion})}
    assert [issue.code for issue in faults({"resourceType": "Patient", "name": [name]})][:1] == codes[:1]


def test_a_contained_resource_may_refer_to_its_neighbour() -> None:
    device = {"resourceType": "Device", "id": "d", "owner": {"reference": "#o"}}
    owner = {"resourceType": "Organization", "id": "o", "name": "Alder Quay Rehabilitation"}
    body = {"resourceType": "Observation", "status": "final", "code": {"text": "x"}, "contained": [device, owner]}
    assert faults({**body, "device": {"reference": "#d"}}) == []


@pytest.mark.parametrize(
    ("value", "sound"),
    [("1.50", True), ("1e400", True), ("5", True), ("-0", True), ('"5"', False), ("true", False), ("null", False)],
)
def test_a_decimal_is_a_json_number(value: str, sound: bool) -> None:  # noqa: FBT001 - a table's column
    body = {"resourceType": "Observation", "status": "final", "code": {"text": "x"}}
    quantity = parse(f'{{"value":{value}}}'.encode())
    assert (faults({**body, "valueQuantity": quantity}) == []) is sound


def test_the_table_says_where_it_is_from() -> None:
    source = json.loads(files("careplan_bridge.sandbox").joinpath("definitions.json").read_text("utf-8"))
    assert (source["version"], source["license"]) == ("4.0.1", "CC0-1.0")


def test_every_type_and_value_set_that_the_table_names_is_in_it() -> None:
    known = table()
    for type_name in known.types:
        for element in elements_of(type_name).values():
            name = "Quantity" if element.kind.name == "SimpleQuantity" else element.kind.name
            assert is_primitive(name) or name in known.types
            assert not element.value_set or codes_of(element.value_set)
            assert element.kind.targets <= set(known.known_resources)


@given(json_values)
def test_json_is_rendered_as_it_was_parsed(value: Any) -> None:
    text = json.dumps(value, separators=(",", ":"), ensure_ascii=False).encode("utf-8", "surrogatepass")
    assert render(parse(render(parse(text)))) == render(parse(text))
