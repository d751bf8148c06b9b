"""One person through every stage of a protocol to discharge, on a real server: each step signed, nothing skipped."""

from collections import Counter
from pathlib import Path

import pytest

from careplan_bridge import bridge
from careplan_bridge.errors import DecisionRefused
from careplan_bridge.model.check import CriteriaCheck, Outcome
from careplan_bridge.model.decision import Decision, Kind
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.protocol import DISCHARGE
from careplan_bridge.model.value import Threshold
from careplan_bridge.sandbox.server import Sandbox
from tests.bridge.clinic import endpoint, held, link, plan_of, record
from tests.bridge.visits import Key, meeting_all, when_done
from tests.flow.workplace import patient

Firsts = dict[Key, Threshold]
CASES = {
    "acl-reconstruction": "acl-quay-01",
    "achilles-repair": "achilles-quay-01",
    "knee-arthroplasty": "arthroplasty-quay-01",
    "shoulder-stabilisation": "shoulder-quay-01",
}


@pytest.mark.parametrize("transactions", [True, False], ids=["together", "one-by-one"])
@pytest.mark.parametrize("protocol", CASES)
def test_from_the_first_stage_to_discharge(protocol: str, tmp_path: Path, *, transactions: bool) -> None:
    with Sandbox(transactions=transactions) as sandbox, link(tmp_path, endpoint(sandbox.base)) as site:
        drafted, firsts = begin(site, sandbox.base, protocol), Firsts()
        for stage in drafted.stages:
            plan = site.plan(drafted.id)
            assert plan.current.id == stage.id
            sign_all(site, decided(site, sandbox.base, plan, firsts))
        discharged = site.plan(drafted.id)
        assert (discharged.course.status, discharged.current.id) == ("completed", DISCHARGE)
        assert states(sandbox.base) == at_the_end(drafted)


@pytest.mark.parametrize("roles", [("therapist", "surgeon"), ("surgeon", "therapist")])
def test_discharge_needs_both_in_either_order(roles: tuple[str, str], tmp_path: Path) -> None:
    with Sandbox() as sandbox, link(tmp_path, endpoint(sandbox.base)) as site:
        decision = at_discharge(site, sandbox.base)
        first, second = (signer(site.plan(decision.plan), role) for role in roles)
        assert site.sign(decision.id, first, decision.decided_at).receipt is None
        assert status(sandbox.base) == "active"
        assert site.sign(decision.id, second, decision.decided_at).receipt is not None
        assert status(sandbox.base) == "completed"


def test_one_person_is_not_both(tmp_path: Path) -> None:
    with Sandbox() as sandbox, link(tmp_path, endpoint(sandbox.base)) as site:
        decision = at_discharge(site, sandbox.base)
        therapist = signer(site.plan(decision.plan), "therapist")
        site.sign(decision.id, therapist, decision.decided_at)
        with pytest.raises(DecisionRefused):
            site.sign(decision.id, therapist, decision.decided_at)
        assert status(sandbox.base) == "active"


def test_a_measurement_between_the_signatures_of_a_discharge_voids_it(tmp_path: Path) -> None:
    with Sandbox() as sandbox, link(tmp_path, endpoint(sandbox.base)) as site:
        decision = at_discharge(site, sandbox.base)
        plan = site.plan(decision.plan)
        site.sign(decision.id, signer(plan, "therapist"), decision.decided_at)
        measured = meeting_all(plan, plan.current, decision.decided_at, Firsts())
        record(sandbox.base, [{**measured[-len(plan.red_flags) - 1], "id": "between"}])
        with pytest.raises(DecisionRefused, match="decide again"):
            site.sign(decision.id, signer(plan, "surgeon"), decision.decided_at)
        assert status(sandbox.base) == "active"


def begin(site: bridge.Link, base: str, protocol: str) -> Plan:
    plan = plan_of(protocol, CASES[protocol])
    record(base, [patient(plan.patient)])
    site.push_plan(plan)
    return plan


def decided(site: bridge.Link, base: str, plan: Plan, firsts: Firsts) -> Decision:
    """The visits of the current stage are recorded, and its end is decided."""
    at = when_done(plan, plan.current)
    record(base, meeting_all(plan, plan.current, at, firsts))
    check = site.check(plan, at)
    assert check.outcome is Outcome.AWAITING_DECISION, what_is_missing(check)
    kind: Kind = "discharge" if plan.current.id == DISCHARGE else "advance"
    return site.decide(check, kind, "all met", at)


def at_discharge(site: bridge.Link, base: str) -> Decision:
    """A course that has come to its last stage, whose end is decided and not signed."""
    plan, firsts = begin(site, base, "shoulder-stabilisation"), Firsts()
    decision = decided(site, base, plan, firsts)
    while decision.kind != "discharge":
        sign_all(site, decision)
        decision = decided(site, base, site.plan(plan.id), firsts)
    return decision


def sign_all(site: bridge.Link, decision: Decision) -> None:
    plan = site.plan(decision.plan)
    for role in decision.roles:
        site.sign(decision.id, signer(plan, role), decision.decided_at)


def signer(plan: Plan, role: str) -> str:
    return next(person.id for person in plan.people if person.role == role)


def status(base: str) -> str:
    (care_plan,) = held(base, "CarePlan")
    return care_plan["status"]


def states(base: str) -> Counter[tuple[str, ...]]:
    """How often each state of a plan, of its stages, of a Goal and of Provenance is held by the server."""
    (care_plan,) = held(base, "CarePlan")
    activities = [one["detail"] for one in care_plan["activity"]]
    stages = [one["status"] for one in activities if not one.get("doNotPerform")]
    limits = [one["status"] for one in activities if one.get("doNotPerform")]
    goals = [
        (one["lifecycleStatus"], one["achievementStatus"]["coding"][0]["code"])
        for one in held(base, "Goal", _count="99")
    ]
    counted = [("CarePlan", care_plan["status"]), *(("stage", one) for one in stages)]
    counted += [("restriction or precaution", one) for one in limits]
    counted += [("Goal", *one) for one in goals]
    counted += [("Provenance",) for _ in held(base, "Provenance")]
    return Counter(counted)


def at_the_end(plan: Plan) -> Counter[tuple[str, ...]]:
    goals = sum(len(stage.criteria) for stage in plan.stages)
    limits = [limit for stage in plan.stages for limit in (*stage.restrictions, *stage.precautions)]
    last = (when_done(plan, plan.stages[-1]).date() - plan.day_zero).days
    dated = sum(limit.before_day is not None and limit.before_day > last for limit in limits)
    return Counter(
        {
            ("CarePlan", "completed"): 1,
            ("stage", "completed"): len(plan.stages),
            ("restriction or precaution", "completed"): len(limits) - dated,
            ("restriction or precaution", "in-progress"): dated,  # what has a date of its own outlives the plan
            ("Goal", "completed", "achieved"): goals,
            ("Provenance",): len(plan.stages),
        }
    )


def what_is_missing(check: CriteriaCheck) -> str:
    criteria = [
        (one.id, one.verdict.value, one.reason, one.arithmetic) for one in check.criteria if one.verdict.value != "met"
    ]
    flags = [(one.id, one.state) for one in check.red_flags]
    limits = [(one.id, one.state) for one in check.restrictions]
    return f"{check.outcome} in {check.stage}: {criteria} {flags} {limits} {check.attention} {check.unusable}"
