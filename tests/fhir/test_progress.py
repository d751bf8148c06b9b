"""What a decision changes in the CarePlan and the Goals, and that it changes nothing else."""

from collections.abc import Callable
from copy import deepcopy
from pathlib import Path
from random import Random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from careplan_bridge.errors import OurFault, WriteConflict
from careplan_bridge.fhir import raw
from careplan_bridge.fhir.elements import Resource
from careplan_bridge.fhir.progress import (
    UNSIGNED,
    care_plan_after,
    goal_after,
    goal_unsigned,
    managed,
    re_open,
)
from careplan_bridge.model.check import CriterionResult, Verdict
from careplan_bridge.model.course import Course, StageEntered
from careplan_bridge.model.decision import Kind
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.reading import Source
from tests.fhir import demo
from tests.fhir.decided import READ, SIGNED_DAY, decision, result, stored_goals, stored_plan
from tests.fhir.generated import a_plan
from tests.snapshots import assert_matches

SNAPSHOTS = Path(__file__).with_name("snapshots") / "decisions"
ACL = demo.plan("acl-quay-01")
FIRST, SECOND = ACL.stages[0], ACL.stages[1]
NEXT = [f"Goal/next-{place}" for place in range(len(SECOND.criteria))]
SEEN = Source("Observation/flexion-2", "4")
ON = READ.date()
# As another system might have left the resource: things we do not know, numbers in spellings of their own.
FOREIGN = raw.decode(
    b'{"extension":[{"url":"https://elsewhere.example/x","valueDecimal":1.50E1},{"url":"https://elsewhere.example/y",'
    b'"valueDecimal":90.00}],"note":[{"text":"Kept by the ward \\u2603"}],"unheardOf":{"deep":[1,2.0,0.0000001]}}'
)

plans = st.builds(a_plan, st.randoms(use_true_random=False))
kinds: st.SearchStrategy[Kind] = st.sampled_from(["advance", "remain", "discharge"])


def _states(resource: Resource) -> dict[str, str]:
    return {one["id"]: one["detail"]["status"] for one in resource["activity"]}


def test_advance_ends_the_stage_and_begins_the_next() -> None:
    before = stored_plan(ACL)
    after = care_plan_after(before, ACL, decision(ACL, "advance"), NEXT)
    assert after["status"] == "active"
    states = _states(after)
    assert (states[f"stage-{FIRST.id}"], states[f"stage-{SECOND.id}"]) == ("completed", "in-progress")
    assert [one["reference"] for one in after["goal"]] == [*(one["reference"] for one in before["goal"]), *NEXT]
    entered = next(one for one in after["activity"] if one["id"] == f"stage-{SECOND.id}")
    assert [one["reference"] for one in entered["detail"]["goal"]] == NEXT
    assert_matches(SNAPSHOTS / "advance-care-plan.json", after)


def test_a_restriction_with_a_date_of_its_own_outlives_its_stage() -> None:
    """Signed on day 29: flexion is restricted before week 6, weight bearing was before week 2."""
    states = _states(care_plan_after(stored_plan(ACL), ACL, decision(ACL, "advance"), NEXT))
    assert (states["restriction-flexion"], states["restriction-load"]) == ("in-progress", "completed")
    assert states["precaution-crutches"] == "completed"
    assert {states[f"restriction-{one.id}"] for one in SECOND.restrictions} == {"in-progress"}
    assert {states[f"precaution-{one.id}"] for one in SECOND.precautions} == {"in-progress"}


def test_a_precaution_with_a_date_of_its_own_outlives_its_stage() -> None:
    brace = next(one for one in FIRST.precautions if one.id == "brace")
    longer = replace(
        FIRST, precautions=(*(one for one in FIRST.precautions if one != brace), replace(brace, before_day=30))
    )
    plan = replace(ACL, stages=(longer, *ACL.stages[1:]))
    states = _states(care_plan_after(stored_plan(plan), plan, decision(plan, "advance"), NEXT))
    assert (states["precaution-brace"], states["precaution-crutches"]) == ("in-progress", "completed")


@pytest.mark.parametrize(("kind", "stage"), [("advance", SECOND.id), ("discharge", ACL.stages[-1].id)])
def test_what_outlived_its_stage_ends_with_the_first_decision_after_its_day(kind: Kind, stage: str) -> None:
    """Signed on day 29: weight bearing was restricted before week 2, flexion is before week 6."""
    before = stored_plan(ACL)
    for one in before["activity"]:
        if one["id"] in (f"stage-{FIRST.id}", "restriction-load", "restriction-flexion"):
            one["detail"]["status"] = "completed" if one["id"].startswith("stage") else "in-progress"
    states = _states(care_plan_after(before, ACL, decision(ACL, kind, stage), NEXT))
    assert (states["restriction-load"], states["restriction-flexion"]) == ("completed", "in-progress")


def test_remain_makes_the_plan_active_and_begins_its_stage() -> None:
    before = stored_plan(ACL)
    after = care_plan_after(before, ACL, decision(ACL, "remain"))
    assert (after["status"], _states(after)[f"stage-{FIRST.id}"]) == ("active", "in-progress")
    assert after["goal"] == before["goal"]


def test_discharge_completes_everything() -> None:
    last = ACL.stages[-1]
    after = care_plan_after(stored_plan(ACL), ACL, decision(ACL, "discharge", last.id))
    assert after["status"] == "completed"
    assert {state for name, state in _states(after).items() if name.startswith("stage-")} == {"completed"}


@given(plans, kinds)
def test_a_decision_made_twice_changes_nothing_the_second_time(plan: Plan, kind: Kind) -> None:
    made = decision(plan, kind, plan.stages[-1].id if kind == "discharge" else None)
    once = care_plan_after(stored_plan(plan), plan, made, NEXT)
    assert raw.encode(care_plan_after(once, plan, made, NEXT)) == raw.encode(once)
    for goal in stored_goals(plan):
        first = goal_after(goal, made, result(Verdict.MET, SEEN))
        assert raw.encode(goal_after(first, made, result(Verdict.MET, SEEN))) == raw.encode(first)


@given(plans, kinds)
def test_nothing_but_managed_elements_changes(plan: Plan, kind: Kind) -> None:
    made = decision(plan, kind, plan.stages[-1].id if kind == "discharge" else None)
    before = {**stored_plan(plan), **FOREIGN}
    untouched = raw.encode(before)
    after = care_plan_after(before, plan, made, NEXT)
    assert raw.encode(before) == untouched
    assert raw.encode(_without_managed(after)) == raw.encode(_without_managed(before))
    for goal in stored_goals(plan):
        stored = {**goal, **FOREIGN}
        patched = goal_after(stored, made, result(Verdict.MET, SEEN))
        assert raw.encode(_without_managed(patched)) == raw.encode(_without_managed(stored))


def _without_managed(resource: Resource) -> Resource:
    left = deepcopy(resource)
    for name in ("status", "goal", "lifecycleStatus", "achievementStatus", "statusDate", "outcomeReference"):
        left.pop(name, None)
    for activity in left.get("activity", ()):
        activity["detail"].pop("status")
        activity["detail"].pop("goal", None)
    return left


@given(plans, st.randoms(use_true_random=False))
def test_activities_are_found_by_their_code_wherever_they_stand(plan: Plan, random: Random) -> None:
    before = stored_plan(plan)
    shuffled = deepcopy(before)
    random.shuffle(shuffled["activity"])
    for activity in shuffled["activity"]:
        activity.pop("id")
    made = decision(plan, "advance")
    one, other = (care_plan_after(each, plan, made, NEXT) for each in (before, shuffled))
    assert managed(one) == managed(other)


def _without_the_stage(resource: Resource) -> None:
    resource["activity"] = [one for one in resource["activity"] if one["id"] != f"stage-{FIRST.id}"]


def _with_the_stage_twice(resource: Resource) -> None:
    resource["activity"].append(deepcopy(resource["activity"][0]))


def _with_a_reference_instead(resource: Resource) -> None:
    resource["activity"][0] = {"reference": {"reference": "Task/1"}}


@pytest.mark.parametrize("change", [_without_the_stage, _with_the_stage_twice, _with_a_reference_instead])
def test_a_stage_that_is_not_there_exactly_once_is_refused(change: Callable[[Resource], None]) -> None:
    resource = stored_plan(ACL)
    change(resource)
    with pytest.raises(WriteConflict, match="settle"):
        care_plan_after(resource, ACL, decision(ACL, "advance"), NEXT)


def test_goals_met_are_achieved_with_the_observations_used() -> None:
    goal = stored_goals(ACL)[1]
    after = goal_after(goal, decision(ACL, "advance"), result(Verdict.MET, SEEN), zone=ACL.clinic.timezone)
    assert managed(after) == {
        "lifecycleStatus": "completed",
        "achievementStatus": "achieved",
        "statusDate": SIGNED_DAY,
        "outcomeReference": ["Observation/flexion-2"],
    }
    assert_matches(SNAPSHOTS / "advance-goal.json", after)


@pytest.mark.parametrize(
    ("kind", "found", "lifecycle", "achievement"),
    [
        ("advance", result(Verdict.MET), "completed", "achieved"),
        ("discharge", result(Verdict.MET), "completed", "achieved"),
        ("advance", result(Verdict.CANNOT_TELL), "completed", None),
        ("remain", result(Verdict.MET), "active", "achieved"),
        ("remain", result(Verdict.NOT_MET), "active", "in-progress"),
        ("remain", result(Verdict.NOT_MET, trend="worsening"), "active", "worsening"),
        ("remain", result(Verdict.CANNOT_TELL, trend="improving"), "active", None),
    ],
)
def test_what_a_decision_makes_of_a_goal(
    kind: Kind, found: CriterionResult, lifecycle: str, achievement: str | None
) -> None:
    state = managed(goal_after(stored_goals(ACL)[0], decision(ACL, kind), found))
    assert (state["lifecycleStatus"], state["achievementStatus"]) == (lifecycle, achievement)


def test_what_cannot_be_told_leaves_the_achievement_that_was_there() -> None:
    improving = goal_unsigned(stored_goals(ACL)[0], result(Verdict.NOT_MET, trend="improving"), UNSIGNED, ON)
    after = goal_after(improving, decision(ACL, "remain"), result(Verdict.CANNOT_TELL, SEEN))
    assert managed(after) == {**managed(improving), "lifecycleStatus": "active"}


def test_outcomes_are_added_once_and_a_newer_version_takes_the_place_of_an_older_one() -> None:
    goal = {**stored_goals(ACL)[0], "outcomeReference": [{"reference": "Observation/other"}]}
    made = decision(ACL, "remain")
    once = goal_after(goal, made, result(Verdict.MET, Source("Observation/flexion-2", "3")))
    twice = goal_after(once, made, result(Verdict.MET, SEEN))
    assert [one["reference"] for one in twice["outcomeReference"]] == ["Observation/other", "Observation/flexion-2"]
    assert twice["outcomeReference"][1]["extension"][0]["valueString"] == "4"


def test_outcomes_that_a_server_gives_in_another_order_are_left_in_it() -> None:
    made, seen = decision(ACL, "remain"), result(Verdict.MET, SEEN, Source("Observation/flexion-1", "1"))
    once = goal_after(stored_goals(ACL)[0], made, seen)
    turned = {**once, "outcomeReference": once["outcomeReference"][::-1]}
    assert goal_after(turned, made, seen) == turned
    added = {**once, "outcomeReference": [{**one, "type": "Observation"} for one in turned["outcomeReference"]]}
    assert goal_after(added, made, seen) == added


def test_outcomes_are_only_what_the_decision_names_and_a_server_holds() -> None:
    sources = (SEEN, Source("Observation/unnamed", "1"), Source("visit.ndjson:3", None, "ab" * 32))
    named = ["Observation/flexion-2/_history/4", f"visit.ndjson:3#{'ab' * 32}"]
    after = goal_after(stored_goals(ACL)[0], decision(ACL, "advance"), result(Verdict.MET, *sources), named)
    assert managed(after)["outcomeReference"] == ["Observation/flexion-2"]


@pytest.mark.parametrize(
    ("found", "allowed", "written"),
    [
        (result(Verdict.NOT_MET), UNSIGNED, "in-progress"),
        (result(Verdict.NOT_MET, trend="no-change"), UNSIGNED, "no-change"),
        (result(Verdict.NOT_MET, trend="improving"), ("in-progress",), None),
        (result(Verdict.NOT_MET), (), None),
        (result(Verdict.MET), (*UNSIGNED, "achieved"), None),
        (result(Verdict.CANNOT_TELL), UNSIGNED, None),
    ],
)
def test_unsigned_only_what_the_site_lets_through_and_never_achieved(
    found: CriterionResult, allowed: tuple[str, ...], written: str | None
) -> None:
    goal = stored_goals(ACL)[0]
    after = goal_unsigned(goal, found, allowed, ON)
    assert managed(after)["achievementStatus"] == written
    assert after["lifecycleStatus"] == "planned"


def test_a_goal_that_is_over_gets_nothing_unsigned() -> None:
    over = goal_after(stored_goals(ACL)[0], decision(ACL, "advance"), result(Verdict.MET, SEEN))
    assert goal_unsigned(over, result(Verdict.NOT_MET), UNSIGNED, ON) == over


def test_a_goal_whose_reading_was_withdrawn_is_sought_again() -> None:
    achieved = goal_after(stored_goals(ACL)[0], decision(ACL, "advance"), result(Verdict.MET, SEEN))
    state = managed(re_open(achieved, ON))
    assert (state["lifecycleStatus"], state["achievementStatus"], state["statusDate"]) == (
        "active",
        "in-progress",
        ON.isoformat(),
    )


def test_managed_elements_do_not_depend_on_versions_in_references() -> None:
    plain = stored_plan(ACL)
    versioned = deepcopy(plain)
    for reference in versioned["goal"]:
        reference["reference"] += "/_history/7"
    assert managed(versioned) == managed(plain)


def test_what_others_add_to_the_plan_is_not_managed() -> None:
    resource = stored_plan(ACL)
    before = managed(resource)
    theirs: dict[str, Any] = {
        "code": {"coding": [{"system": "https://elsewhere.example", "code": "diet"}]},
        "status": "scheduled",
    }
    resource["activity"].append({"detail": theirs})
    assert managed(resource) == before


def test_only_care_plans_and_goals_are_managed() -> None:
    with pytest.raises(OurFault):
        managed({"resourceType": "Patient"})


def test_a_later_decision_starts_from_the_stage_it_was_made_in() -> None:
    entered = StageEntered(at=READ, stage=SECOND.id, decision="d1")
    after_first = care_plan_after(stored_plan(ACL), ACL, decision(ACL, "advance"), NEXT)
    later = replace(ACL, course=Course(events=(entered,)))
    states = _states(care_plan_after(after_first, later, decision(later, "advance", SECOND.id), ["Goal/third"]))
    assert [states[f"stage-{one.id}"] for one in ACL.stages[:3]] == ["completed", "completed", "in-progress"]
