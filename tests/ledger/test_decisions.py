from datetime import UTC, datetime

import msgspec
import pytest

from careplan_bridge.errors import DecisionRefused, OurFault
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.ledger.records import DecisionState
from careplan_bridge.model.decision import Decision, Signature
from careplan_bridge.model.plan import Plan

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


def signed(decision: Decision, *roles: str) -> Decision:
    people = {"therapist": "t1", "surgeon": "d1"}
    signatures = tuple(Signature(person=people[role], role=role, at=NOON, digest="x") for role in roles)
    return msgspec.structs.replace(decision, signatures=signatures)


@pytest.mark.parametrize("order", [("therapist", "surgeon"), ("surgeon", "therapist")])
def test_a_decision_is_ready_once_every_role_has_signed(
    ledger: Ledger, discharge: Decision, order: tuple[str, str]
) -> None:
    assert ledger.save_decision(discharge).state == "open"
    assert ledger.save_decision(signed(discharge, order[0])).state == "open"
    assert ledger.save_decision(signed(discharge, *order)).state == "ready"
    assert [record.state for record in ledger.waiting(discharge.plan)] == ["ready"]


def test_saving_again_changes_nothing(ledger: Ledger, discharge: Decision) -> None:
    first = ledger.save_decision(signed(discharge, "therapist"))
    assert ledger.save_decision(signed(discharge, "therapist")) == first


def test_a_signature_is_never_taken_away_nor_the_decision_edited(ledger: Ledger, discharge: Decision) -> None:
    ledger.save_decision(signed(discharge, "therapist"))
    for other in (discharge, msgspec.structs.replace(signed(discharge, "therapist", "surgeon"), reason="another")):
        with pytest.raises(DecisionRefused, match="differs from the one in the ledger"):
            ledger.save_decision(other)


def test_an_open_decision_can_be_voided_and_then_waits_no_more(ledger: Ledger, discharge: Decision) -> None:
    ledger.save_decision(signed(discharge, "therapist"))
    ledger.void_decision(discharge.id, "a new Observation")
    assert ledger.waiting(discharge.plan) == ()


def test_a_void_decision_may_be_decided_anew_without_its_old_signatures(ledger: Ledger, discharge: Decision) -> None:
    ledger.save_decision(signed(discharge, "therapist"))
    ledger.void_decision(discharge.id, "a new Observation")
    with pytest.raises(DecisionRefused, match="is void and takes no more"):
        ledger.save_decision(signed(discharge, "therapist", "surgeon"))
    again = ledger.save_decision(msgspec.structs.replace(discharge, reason="the new one was withdrawn"))
    assert (again.state, again.why, again.decision.signatures) == ("open", "", ())


def test_what_nobody_signed_yet_may_be_decided_anew(ledger: Ledger, discharge: Decision) -> None:
    ledger.save_decision(discharge)
    again = ledger.save_decision(msgspec.structs.replace(discharge, reason="better words"))
    assert (again.state, again.decision.reason) == ("open", "better words")


LEADING_TO: dict[DecisionState, tuple[DecisionState, ...]] = {
    "ready": (),
    "writing": ("writing",),
    "parked": ("writing", "parked"),
}


@pytest.mark.parametrize("state", LEADING_TO)
def test_an_acknowledged_decision_is_never_lost(ledger: Ledger, discharge: Decision, state: DecisionState) -> None:
    ledger.save_decision(signed(discharge, "therapist", "surgeon"))
    for step in LEADING_TO[state]:
        ledger.move_decision(discharge.id, step)
    with pytest.raises(OurFault, match=f"is {state} and can't become void"):
        ledger.void_decision(discharge.id, "a new Observation")
    assert len(ledger.waiting(discharge.plan)) == 1


def test_a_decision_about_no_known_plan_is_a_fault_of_ours(ledger: Ledger, discharge: Decision, plan: Plan) -> None:
    with pytest.raises(OurFault, match="contradicts"):
        ledger.save_decision(msgspec.structs.replace(discharge, plan="another"))
    assert ledger.decisions(plan.id) == ()
