"""A plan as CarePlan and Goals: whole documents of the demo cases, and laws over made-up plans."""

from decimal import Decimal
from pathlib import Path
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from careplan_bridge.fhir import raw
from careplan_bridge.fhir.bundles import transaction
from careplan_bridge.fhir.conditions import Vocabulary, condition_extension
from careplan_bridge.fhir.elements import quantity
from careplan_bridge.fhir.plan_resources import care_plan, goals
from careplan_bridge.model.criterion import WithinBounds
from careplan_bridge.model.plan import Plan
from tests.fhir import demo, reading_back
from tests.fhir.generated import a_condition, a_plan
from tests.snapshots import assert_matches

SNAPSHOTS = Path(__file__).with_name("snapshots") / "plans"
plans = st.builds(a_plan, st.randoms(use_true_random=False))
WORDS = Vocabulary(
    base="https://example.org/base", protocol="https://example.org/protocol", facts=demo.catalogue().measures
)


@pytest.mark.parametrize("name", demo.CASES)
def test_the_transaction_of_a_case(name: str) -> None:
    assert_matches(SNAPSHOTS / f"{name}.json", transaction(demo.plan(name)))


@pytest.mark.parametrize("name", demo.CASES)
def test_us_core_adds_a_category_and_nothing_else(name: str) -> None:
    plain, more = care_plan(demo.plan(name)), care_plan(demo.plan(name), us_core=True)
    category = more.pop("category")
    assert [one["coding"][0]["code"] for one in category] == ["assess-plan"]
    assert raw.encode(more) == raw.encode(plain)
    stage = demo.plan(name).stages[0].id
    assert goals(demo.plan(name), stage, us_core=True) == goals(demo.plan(name), stage)


@given(st.randoms(use_true_random=False))
def test_the_extension_carries_the_whole_condition(random: Random) -> None:
    condition = a_condition(random)
    sent = raw.decode(raw.encode(condition_extension(condition, WORDS)))
    assert reading_back.condition(sent) == condition


@given(plans)
def test_a_goal_carries_its_whole_criterion(plan: Plan) -> None:
    for stage in plan.stages:
        for criterion, goal in zip(stage.criteria, goals(plan, stage.id), strict=True):
            sent = raw.decode(raw.encode(goal))
            assert reading_back.criterion(sent["extension"][0], sent["description"]["text"]) == criterion


@given(plans)
def test_a_range_in_a_target_says_what_the_criterion_says(plan: Plan) -> None:
    for stage in plan.stages:
        for criterion, goal in zip(stage.criteria, goals(plan, stage.id), strict=True):
            condition = criterion.condition
            if isinstance(condition, WithinBounds):
                (target,) = goal["target"]
                assert ("detailRange" in target) == _can_be_said(condition, plan)
                for end in ("low", "high"):
                    _same_end(target.get("detailRange", {}), condition, end)


def _can_be_said(condition: WithinBounds, plan: Plan) -> bool:
    inclusive = condition.bounds.low_included and condition.bounds.high_included
    return condition.visits_in_a_row == 1 and inclusive and plan.facts[condition.measured.measure].unit is not None


def _same_end(said: dict[str, dict[str, object]], condition: WithinBounds, end: str) -> None:
    wanted = getattr(condition.bounds, end)
    if said:
        assert (reading_back.number(said[end]) if end in said else None) == (wanted.number if wanted else None)


@given(plans)
def test_the_same_plan_gives_the_same_bytes(plan: Plan) -> None:
    assert raw.encode(transaction(plan)) == raw.encode(transaction(plan))


@given(plans)
def test_every_goal_the_care_plan_names_is_created_beside_it(plan: Plan) -> None:
    entries = transaction(plan)["entry"]
    there = {entry["fullUrl"] for entry in entries if entry["resource"]["resourceType"] == "Goal"}
    resource = entries[-1]["resource"]
    current = next(one for one in resource["activity"] if one["id"] == f"stage-{plan.current.id}")
    for holder in (resource, current["detail"]):
        assert {one["reference"] for one in holder["goal"]} == there
    assert len({entry["fullUrl"] for entry in entries}) == len(entries)
    assert len({entry["request"]["ifNoneExist"] for entry in entries}) == len(entries)


@given(plans)
def test_nothing_is_judged_in_a_draft(plan: Plan) -> None:
    resource = care_plan(plan)
    assert (resource["status"], resource["intent"]) == ("draft", "plan")
    states = {one["id"]: one["detail"]["status"] for one in resource["activity"]}
    assert {state for name, state in states.items() if name.startswith("stage-")} == {"not-started"}
    for goal in goals(plan, plan.current.id):
        assert goal["lifecycleStatus"] == "planned"
        assert not {"achievementStatus", "statusDate", "outcomeReference"} & goal.keys()


@given(plans)
def test_what_must_not_be_done_is_marked_so_and_in_force_in_the_first_stage(plan: Plan) -> None:
    not_to_do = {one["id"]: one["detail"] for one in care_plan(plan)["activity"] if one["detail"].get("doNotPerform")}
    expected = {
        f"{kind}-{part.id}": "in-progress" if stage.id == plan.current.id else "not-started"
        for stage in plan.stages
        for kind, parts in (("restriction", stage.restrictions), ("precaution", stage.precautions))
        for part in parts
    }
    assert {name: detail["status"] for name, detail in not_to_do.items()} == expected


def test_existing_resources_are_named_and_others_are_logical_references() -> None:
    plan = a_plan(Random(1))
    resource = care_plan(plan)
    for person, reference in zip(plan.people, [resource["author"], *resource["contributor"]], strict=True):
        assert reference.get("reference") == person.resource
        assert ("identifier" in reference) == (person.resource is None)


def test_goals_may_be_named_by_their_references() -> None:
    plan = demo.plan("acl-quay-01")
    there = {one.id: f"Goal/{place}" for place, one in enumerate(plan.current.criteria)}
    assert [one["reference"] for one in care_plan(plan, goals=there)["goal"]] == list(there.values())


@pytest.mark.parametrize("written", ["90", "90.0", "0.50", "-3", "1000"])
def test_numbers_keep_their_digits(written: str) -> None:
    assert raw.encode(quantity(Decimal(written), "deg")).startswith(f'{{"value":{written},'.encode())
