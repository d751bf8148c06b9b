"""What may be decided on a check, and when a signature stands."""

from datetime import UTC, datetime, timedelta

import pytest
from msgspec.structs import replace

from careplan_bridge.criteria import deciding
from careplan_bridge.errors import DecisionRefused
from careplan_bridge.model.check import CriteriaCheck, Outcome, RedFlagResult, RestrictionResult, UsedReading
from careplan_bridge.model.course import Course, Decided, StageEntered
from careplan_bridge.model.decision import Decision
from careplan_bridge.model.protocol import DISCHARGE
from careplan_bridge.model.reading import Recorded, Source
from careplan_bridge.model.value import Grade, Moment
from tests.built import SURGERY, a_check, a_plan

NOON = datetime(2026, 3, 20, 12, tzinfo=UTC)
PLAN = a_plan()
READY = a_check(PLAN, outcome=Outcome.AWAITING_DECISION)

IN_DISCHARGE = a_plan(course=Course(events=(StageEntered(at=NOON, stage=DISCHARGE, decision="d1"),)))
READY_TO_CLOSE = a_check(IN_DISCHARGE, outcome=Outcome.AWAITING_DECISION)


def a_reading(version: str | None = "1") -> UsedReading:
    return UsedReading(
        source=Source("Observation/o1", version, digest="ab"),
        measure="finding",
        side=None,
        qualifiers={},
        value=Grade("present", "present"),
        recorded=Recorded(),
        at=Moment(NOON, NOON),
        day=NOON.date(),
        shown="present",
        used=True,
    )


def advance(check: CriteriaCheck = READY) -> Decision:
    return deciding.decide(PLAN, check, "advance", "all criteria met", NOON)


def test_the_same_check_and_kind_are_the_same_decision() -> None:
    later = deciding.decide(PLAN, READY, "advance", "said again", NOON + timedelta(hours=1))
    assert advance().id == later.id
    assert advance(replace(READY, digest="e" * 64)).id != later.id
    assert deciding.decide(PLAN, READY, "remain", "wait", NOON).id != later.id


@pytest.mark.parametrize("outcome", [outcome for outcome in Outcome if outcome != Outcome.AWAITING_DECISION])
def test_advance_needs_a_check_that_awaits_a_decision(outcome: Outcome) -> None:
    with pytest.raises(DecisionRefused, match=outcome.value):
        advance(replace(READY, outcome=outcome))


@pytest.mark.parametrize("outcome", list(Outcome))
def test_remain_may_be_decided_on_any_check_by_one_therapist(outcome: Outcome) -> None:
    decision = deciding.decide(PLAN, replace(READY, outcome=outcome), "remain", "one more week", NOON)
    assert decision.roles == ("therapist",)
    assert decision.to_stage is None


def test_nothing_moves_on_an_incomplete_retrieval() -> None:
    with pytest.raises(DecisionRefused, match="not complete"):
        advance(replace(READY, complete=False))


def test_discharge_belongs_to_the_last_stage_and_advance_to_the_others() -> None:
    with pytest.raises(DecisionRefused, match="'advance'"):
        deciding.decide(PLAN, READY, "discharge", "done", NOON)
    with pytest.raises(DecisionRefused, match="'discharge'"):
        deciding.decide(IN_DISCHARGE, READY_TO_CLOSE, "advance", "done", NOON)


def test_a_check_of_another_stage_or_plan_is_refused() -> None:
    with pytest.raises(DecisionRefused, match="the person is in 'discharge'"):
        deciding.decide(IN_DISCHARGE, READY, "remain", "x", NOON)
    with pytest.raises(DecisionRefused, match="revision 2"):
        deciding.decide(PLAN, replace(READY, revision=2), "remain", "x", NOON)


def test_a_closed_plan_takes_no_decision() -> None:
    decided = Decided(at=NOON, decision="d", kind="discharge", stage=DISCHARGE, by=("t1",), reason="done")
    closed = replace(IN_DISCHARGE, course=IN_DISCHARGE.course.plus(decided))
    with pytest.raises(DecisionRefused, match="closed"):
        deciding.decide(closed, READY_TO_CLOSE, "remain", "x", NOON)


@pytest.mark.parametrize("signers", [{}, {"advance": (), "discharge": ()}, {"discharge": ("therapist", "therapist")}])
def test_a_plan_that_lets_too_few_sign_takes_no_decision(signers: dict[str, tuple[str, ...]]) -> None:
    with pytest.raises(DecisionRefused, match="too few roles"):
        deciding.decide(replace(PLAN, signatures=signers), READY, "advance", "x", NOON)
    with pytest.raises(DecisionRefused, match="too few roles"):
        deciding.decide(replace(IN_DISCHARGE, signatures=signers), READY_TO_CLOSE, "discharge", "x", NOON)


@pytest.mark.parametrize("order", [("t1", "s1"), ("s1", "t1")])
def test_discharge_is_signed_by_two_roles_in_either_order(order: tuple[str, str]) -> None:
    decision = deciding.decide(IN_DISCHARGE, READY_TO_CLOSE, "discharge", "goals reached", NOON)
    first = deciding.sign(IN_DISCHARGE, decision, READY_TO_CLOSE, order[0], NOON)
    assert len(first.missing_roles) == 1
    assert deciding.sign(IN_DISCHARGE, first, READY_TO_CLOSE, order[1], NOON).missing_roles == ()


def test_one_person_fills_one_role_once() -> None:
    decision = deciding.decide(IN_DISCHARGE, READY_TO_CLOSE, "discharge", "goals reached", NOON)
    once = deciding.sign(IN_DISCHARGE, decision, READY_TO_CLOSE, "t1", NOON)
    with pytest.raises(DecisionRefused, match="has signed already"):
        deciding.sign(IN_DISCHARGE, once, READY_TO_CLOSE, "t1", NOON)


@pytest.mark.parametrize(("person", "says"), [("s1", "signed by: therapist"), ("x9", "nobody with the id")])
def test_others_do_not_sign(person: str, says: str) -> None:
    with pytest.raises(DecisionRefused, match=says):
        deciding.sign(PLAN, advance(), READY, person, NOON)


def test_a_changed_record_takes_no_signature() -> None:
    changed = replace(READY, digest="e" * 64)
    assert not deciding.stands(advance(), changed)
    with pytest.raises(DecisionRefused, match="decide again"):
        deciding.sign(PLAN, advance(), changed, "t1", NOON)


@pytest.mark.parametrize("outcome", [Outcome.NOT_YET, Outcome.BLOCKED, Outcome.INFORMATION_MISSING])
def test_a_check_document_edited_by_hand_is_never_signed(outcome: Outcome) -> None:
    edited = advance()  # its outcome was turned into awaiting-decision, its digest copied
    with pytest.raises(DecisionRefused, match=outcome.value):
        deciding.sign(PLAN, edited, replace(READY, outcome=outcome), "t1", NOON)


def test_nor_one_whose_evidence_was_edited() -> None:
    edited = replace(advance(), evidence=("Observation/other/_history/1",))
    with pytest.raises(DecisionRefused, match="had been changed"):
        deciding.sign(PLAN, edited, READY, "t1", NOON)


def test_an_incomplete_retrieval_takes_no_signature() -> None:
    partial = replace(READY, complete=False)
    assert not deciding.stands(advance(), partial)
    with pytest.raises(DecisionRefused, match="not complete"):
        deciding.sign(PLAN, advance(), partial, "t1", NOON)


@pytest.mark.parametrize(("version", "key"), [("3", "Observation/o1/_history/3"), (None, "Observation/o1#ab")])
def test_evidence_is_named_by_version_or_content(version: str | None, key: str) -> None:
    assert a_reading(version).source.key == key


def test_a_response_covers_what_the_check_showed() -> None:
    flag = RedFlagResult(id="calf", ask="Calf pain?", act="Review", state="present", readings=(a_reading(),))
    check = replace(READY, red_flags=(flag,))
    response = deciding.respond_to_red_flag(PLAN, check, "calf", person_id="s1", reason="scan negative", at=NOON)
    assert (response.by, response.evidence) == ("s1", ("Observation/o1/_history/1",))
    with pytest.raises(DecisionRefused, match="waits for a response: calf"):
        deciding.respond_to_red_flag(PLAN, check, "fever", person_id="s1", reason="x", at=NOON)


@pytest.mark.parametrize("state", ["kept", "responded", "no-reading"])
def test_only_an_open_excess_takes_a_response(state: str) -> None:
    kept = RestrictionResult(
        id="flexion", says="At most 90", state=state, in_force=True, from_date=SURGERY.on, before_date=None
    )
    with pytest.raises(DecisionRefused, match="nothing waits"):
        deciding.respond_to_excess(
            PLAN, replace(READY, restrictions=(kept,)), "flexion", person_id="s1", reason="x", at=NOON
        )
