from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from careplan_bridge.endpoint.http import Client
from careplan_bridge.errors import WriteConflict
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.model.check import CriteriaCheck, Verdict
from careplan_bridge.model.course import Decided
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.reading import Source, Unusable
from careplan_bridge.writeback.by_hand import Keep, settle_conflict
from careplan_bridge.writeback.decision import write_decision
from careplan_bridge.writeback.push import push_plan
from careplan_bridge.writeback.resume import settle
from careplan_bridge.writeback.unsigned import write_unsigned
from tests.writeback import occasions
from tests.writeback.occasions import ask, on_server

ALL = ("in-progress", "improving", "worsening", "no-change", "re-open")


@pytest.fixture
def client(base: str, ledger: Ledger, plan: Plan) -> Iterator[Client]:
    """An endpoint that lets everything through that may go unsigned, with the plan on it."""
    with occasions.connected(occasions.endpoint(base, unsigned=ALL)) as client:
        push_plan(client, ledger, plan)
        yield client


def check(plan: Plan, **trends: str | None) -> CriteriaCheck:
    """A check in which the criteria named are not met, with a trend; all others are met."""
    whole = occasions.everything_met(plan)
    results = tuple(
        replace(result, verdict=Verdict.NOT_MET, trend=trends[result.id]) if result.id in trends else result
        for result in whole.criteria
    )
    return replace(whole, criteria=results)


def achievement(base: str) -> dict[str, str | None]:
    """What each Goal says, by criterion."""
    return {goal["identifier"][0]["value"].rpartition("/")[2]: code_of(goal) for goal in on_server(base, "Goal")}


def code_of(goal: dict[str, Any]) -> str | None:
    return goal["achievementStatus"]["coding"][0]["code"] if "achievementStatus" in goal else None


def test_by_default_nothing_is_written(base: str, ledger: Ledger, plan: Plan) -> None:
    with occasions.connected(occasions.endpoint(base)) as client:
        push_plan(client, ledger, plan)
        receipt = write_unsigned(client, ledger, plan, check(plan, flexion="improving"))
    assert (receipt.items, set(achievement(base).values())) == ((), {None})


def test_what_is_let_through_is_written_and_achieved_never_is(
    client: Client, ledger: Ledger, plan: Plan, base: str
) -> None:
    receipt = write_unsigned(client, ledger, plan, check(plan, flexion="improving", effusion=None))
    assert receipt.changed == 2
    assert achievement(base) == {
        "extension": None,
        "flexion": "improving",
        "effusion": "in-progress",
        "no-lag": None,
        "walk": None,
    }
    assert on_server(base, "CarePlan")[0]["meta"]["versionId"] == "1"


def test_each_element_is_let_through_by_itself(base: str, ledger: Ledger, plan: Plan) -> None:
    with occasions.connected(occasions.endpoint(base, unsigned=("worsening",))) as client:
        push_plan(client, ledger, plan)
        write_unsigned(client, ledger, plan, check(plan, flexion="improving", extension="worsening"))
    assert achievement(base) | {"extension": None} == dict.fromkeys(achievement(base))
    assert achievement(base)["extension"] == "worsening"


def test_the_same_check_again_writes_nothing(client: Client, ledger: Ledger, plan: Plan) -> None:
    write_unsigned(client, ledger, plan, check(plan, flexion="improving"))
    assert write_unsigned(client, ledger, plan, check(plan, flexion="improving")).changed == 0


def test_an_incomplete_check_writes_nothing(client: Client, ledger: Ledger, plan: Plan) -> None:
    assert write_unsigned(client, ledger, plan, replace(check(plan, flexion="improving"), complete=False)).items == ()


def test_what_a_clinician_wrote_is_left_and_named_and_the_others_are_written(
    client: Client, ledger: Ledger, plan: Plan, base: str
) -> None:
    judged_elsewhere(base, "not-attainable")
    with pytest.raises(
        WriteConflict, match='achievementStatus was nothing, is "not-attainable", and would become "improving"'
    ):
        write_unsigned(client, ledger, plan, check(plan, flexion="improving", walk="worsening"))
    assert (achievement(base)["flexion"], achievement(base)["walk"]) == ("not-attainable", "worsening")


def judged_elsewhere(base: str, code: str) -> dict[str, Any]:
    """Somebody else says of the Goal about flexion what the next check would overwrite."""
    goal = next(goal for goal in on_server(base, "Goal") if goal["identifier"][0]["value"].endswith("/flexion"))
    coding = {"system": "http://terminology.hl7.org/CodeSystem/goal-achievement", "code": code}
    return ask("PUT", f"{base}/Goal/{goal['id']}", {**goal, "achievementStatus": {"coding": [coding]}})


def answered(client: Client, ledger: Ledger, plan: Plan, goal: dict[str, Any], keep: Keep) -> None:
    person = plan.people[0].id
    reference = f"Goal/{goal['id']}"
    settle_conflict(client, ledger, plan, reference, keep, person=person, reason="seen", at=occasions.MOMENT)


def conflicts(client: Client, ledger: Ledger, plan: Plan, **trends: str) -> bool:
    try:
        write_unsigned(client, ledger, plan, check(plan, **trends))
    except WriteConflict:
        return True
    return False


def test_what_a_person_said_is_to_stand_stands_and_the_others_are_written(
    client: Client, ledger: Ledger, plan: Plan, base: str
) -> None:
    goal = judged_elsewhere(base, "not-attainable")
    assert conflicts(client, ledger, plan, flexion="improving")
    answered(client, ledger, plan, goal, "theirs")
    assert ledger.open_intents(plan.id) == ()
    assert settle(client, ledger, plan.id).changed == 0
    for trend in ("improving", "worsening"):
        assert not conflicts(client, ledger, plan, flexion=trend, walk=trend)
        assert (achievement(base)["flexion"], achievement(base)["walk"]) == ("not-attainable", trend)


def test_the_opposite_answer_ends_it(client: Client, ledger: Ledger, plan: Plan, base: str) -> None:
    goal = judged_elsewhere(base, "not-attainable")
    assert conflicts(client, ledger, plan, flexion="improving")
    answered(client, ledger, plan, goal, "theirs")
    decision, met = occasions.acknowledged(ledger, plan, "remain")
    with pytest.raises(WriteConflict, match="not-attainable"):  # a signature is about all Goals of the stage
        write_decision(client, ledger, plan, decision, met)
    answered(client, ledger, plan, goal, "ours")
    write_decision(client, ledger, plan, decision, met)
    assert achievement(base)["flexion"] == "achieved"
    assert not conflicts(client, ledger, plan, flexion="improving")
    assert achievement(base)["flexion"] == "improving"


def test_a_decision_that_was_written_since_ends_it_too(client: Client, ledger: Ledger, plan: Plan, base: str) -> None:
    goal = judged_elsewhere(base, "not-attainable")
    assert conflicts(client, ledger, plan, flexion="improving")
    answered(client, ledger, plan, goal, "theirs")
    at = occasions.MOMENT
    ledger.append(plan.id, Decided(at=at, decision="d", kind="remain", stage="settle", by=("t",), reason="x"))
    assert conflicts(client, ledger, plan, flexion="improving")


def withdrawn(reference: str) -> Unusable:
    return Unusable(
        source=Source(resource=reference), reason="entered-in-error", says="withdrawn", settle="", void=True
    )


def test_a_goal_whose_reading_was_withdrawn_is_sought_again(
    client: Client, ledger: Ledger, plan: Plan, base: str
) -> None:
    decision, met = occasions.acknowledged(ledger, plan)
    write_decision(client, ledger, plan, decision, met)
    goal = on_server(base, "Goal")[0]
    observation = ask(
        "POST", f"{base}/Observation", {"resourceType": "Observation", "status": "final", "code": {"text": "made up"}}
    )
    stands_on = f"Observation/{observation['id']}"
    ask("PUT", f"{base}/Goal/{goal['id']}", {**goal, "outcomeReference": [{"reference": stands_on}]})
    later = ledger.plan(plan.id) or plan
    void = replace(occasions.everything_met(later), unusable=(withdrawn(stands_on),))
    assert write_unsigned(client, ledger, later, void).changed == 1
    again, other, *_ = on_server(base, "Goal")
    assert (again["lifecycleStatus"], code_of(again)) == ("active", "in-progress")
    assert other["lifecycleStatus"] == "completed"
    assert write_unsigned(client, ledger, later, void).changed == 0


def test_a_plan_that_was_never_pushed_writes_nothing(client: Client, tmp_path: Path, plan: Plan) -> None:
    with occasions.open_ledger(tmp_path / "empty.sqlite") as ledger:
        assert write_unsigned(client, ledger, plan, check(plan, flexion="improving")).items == ()
