"""What was beyond a restriction while it was in force stays so until a named clinician has responded."""

from datetime import date

import pytest
from msgspec.structs import replace

from careplan_bridge.criteria.deciding import respond_to_excess
from careplan_bridge.model.case import Order, RestrictionOrder, Surgery
from careplan_bridge.model.check import CriteriaCheck, Outcome
from careplan_bridge.model.course import Course, StageEntered
from careplan_bridge.model.criterion import Held, Restriction, TimeSince, WithinBounds
from careplan_bridge.model.measure import Measure
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.reading import Reading, Unusable
from careplan_bridge.model.value import Amount, Moment
from tests.criteria.build import (
    ACTIVE,
    DEFICIT,
    EFFUSION,
    FLEXION,
    FORCE,
    HYPEREXTENSION,
    a_plan,
    at_least,
    at_most,
    checked,
    criterion,
    days,
    deg,
    grade,
    instant,
    moment,
    of,
    reading,
    restriction,
    unusable,
)

AT_MOST_90 = restriction(at_most(90))
LATELY = instant(18)
ALWAYS_MET = criterion(TimeSince(at_least=1), no_older_than=None)


def limited(*restrictions: Restriction) -> Plan:
    return a_plan(ALWAYS_MET, restrictions=restrictions or (AT_MOST_90,))


def state(*entries: Reading | Unusable, plan: Plan | None = None) -> str:
    return checked(plan or limited(), *entries).restrictions[0].state


def bent(value: Amount, at: Moment = LATELY, side: str | None = "left", **qualifiers: str) -> Reading:
    return reading(FLEXION, value, at, side=side, qualifiers=qualifiers or {"movement": "passive"})


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (deg(90), "kept"),
        (deg("90.1"), "exceeded"),
        (deg(91, 95), "exceeded"),
        (deg(85, 95), "possibly-exceeded"),
        (deg(90, "", low_included=False), "exceeded"),
        (deg("", 95), "possibly-exceeded"),
    ],
)
def test_the_whole_value_must_be_beyond(value: Amount, expected: str) -> None:
    assert state(bent(value)) == expected


def test_nothing_measured_is_not_kept() -> None:
    assert state() == "no-reading"


def test_a_restriction_holds_for_every_movement_and_position() -> None:
    assert state(bent(deg(110), movement="active")) == "exceeded"
    assert state(bent(deg(110), movement="passive", position="sitting")) == "exceeded"


def test_what_is_certainly_something_else_is_not_restricted() -> None:
    assert state(bent(deg(110), side="right")) == "no-reading"
    extensors = restriction(at_most(50), measured=of(FORCE))
    flexors = reading(FORCE, deg(80, unit="N"), LATELY, qualifiers={"muscle": "knee flexors"})
    assert state(flexors, plan=limited(extensors)) == "no-reading"


def test_a_qualifier_in_doubt_leaves_a_possible_excess() -> None:
    extensors = restriction(at_most(50), measured=of(FORCE))
    unknown = reading(FORCE, deg(80, unit="N"), LATELY, qualifiers={})
    assert state(unknown, plan=limited(extensors)) == "possibly-exceeded"


@pytest.mark.parametrize(
    ("entry", "expected"),
    [
        (unusable(FLEXION, LATELY, value=deg(110)), "possibly-exceeded"),
        (unusable(FLEXION, None, value=deg(110), side="left"), "possibly-exceeded"),
        (unusable(FLEXION, LATELY, value=deg(110), side="left", qualifiers=ACTIVE), "possibly-exceeded"),
        (unusable(FLEXION, LATELY, value=deg(110), side="right"), "no-reading"),
        (unusable(FLEXION, LATELY, value=deg(80)), "no-reading"),
        (unusable(FLEXION, LATELY), "no-reading"),
        (unusable(FLEXION, LATELY, value=deg(2, unit="rad")), "no-reading"),
        (unusable(FLEXION, LATELY, value=deg(110), void=True), "no-reading"),
        (unusable(FLEXION, instant(-5), value=deg(110), side="left"), "no-reading"),
        (unusable(FLEXION, instant(30), value=deg(110), side="left"), "no-reading"),
    ],
)
def test_an_entry_that_could_not_be_read_may_be_beyond(entry: Unusable, expected: str) -> None:
    assert state(entry) == expected


@pytest.mark.parametrize(
    ("at", "expected"),
    [
        (instant(-1), "no-reading"),
        (instant(0), "possibly-exceeded"),
        (instant(1), "exceeded"),
        (Moment(moment(27, 21, 59), moment(27, 21, 59)), "exceeded"),
        (Moment(moment(27, 22), moment(27, 22)), "kept"),
        (days(26, 29), "possibly-exceeded"),
        (days(-2, 3), "possibly-exceeded"),
    ],
)
def test_each_reading_is_judged_by_what_was_in_force_when_it_was_taken(at: Moment, expected: str) -> None:
    """The restriction ends before day 28, which begins at 22:00 UTC in Berlin's summer time."""
    found = checked(limited(), bent(deg(110), at), at=moment(35)).restrictions[0]
    assert (found.state, found.in_force) == (expected, False)


def test_a_later_lower_value_and_the_end_of_the_restriction_clear_nothing() -> None:
    entries = [bent(deg(110), instant(15)), bent(deg(85), instant(18))]
    assert checked(limited(), *entries).outcome is Outcome.BLOCKED
    after = checked(limited(), *entries, at=moment(40))
    assert (after.outcome, after.restrictions[0].state) == (Outcome.BLOCKED, "exceeded")


def respond(plan: Plan, check: CriteriaCheck, name: str = "limit") -> Plan:
    response = respond_to_excess(plan, check, name, person_id="s1", reason="graft examined", at=moment(19))
    return replace(plan, course=plan.course.plus(response))


def test_a_named_clinicians_response_covers_the_evidence_it_named() -> None:
    first, second = bent(deg(110), instant(15), name="a"), bent(deg(95), instant(18), name="b")
    plan = limited()
    answered = respond(plan, checked(plan, first))
    found = checked(answered, first)
    assert (found.outcome, found.restrictions[0].state) == (Outcome.AWAITING_DECISION, "responded")
    assert found.restrictions[0].response == "Sam Marsh, surgeon, 2026-03-21: graft examined"
    assert checked(answered, first, second).restrictions[0].state == "exceeded"
    amended = replace(first, source=replace(first.source, version="2"))
    assert checked(answered, amended).restrictions[0].state == "exceeded"


def test_a_possible_excess_is_cleared_by_a_response_too() -> None:
    plan, entry = limited(), unusable(FLEXION, LATELY, value=deg(110))
    check = checked(plan, entry)
    assert check.outcome is Outcome.INFORMATION_MISSING
    assert [mark.mark for mark in check.attention] == ["possibly-exceeded"]
    assert checked(respond(plan, check), entry).outcome is Outcome.AWAITING_DECISION


def test_an_excess_blocks_though_the_retrieval_is_incomplete() -> None:
    assert checked(limited(), bent(deg(110)), complete=False).outcome is Outcome.BLOCKED


def test_kept_is_not_said_of_an_incomplete_retrieval() -> None:
    assert checked(limited(), bent(deg(80)), complete=False).restrictions[0].state == "cannot-tell"


def test_a_restriction_of_a_later_stage_begins_with_its_window() -> None:
    plan = limited()
    later = replace(
        plan.stages[1], window=replace(plan.stages[1].window, from_day=21), restrictions=(restriction(at_most(120)),)
    )
    plan = replace(plan, stages=(replace(plan.stages[0], restrictions=()), later))
    early, late = bent(deg(130), instant(20)), bent(deg(130), instant(22))
    assert checked(plan, early, at=moment(23)).restrictions[0].state == "kept"
    found = checked(plan, late, at=moment(23)).restrictions[0]
    assert (found.state, found.from_date) == ("exceeded", date(2026, 3, 23))


def test_a_value_beyond_a_restriction_is_never_improving() -> None:
    wanted = criterion(WithinBounds(measured=of(FLEXION), bounds=at_least(60)))
    entries = [reading(FLEXION, deg(50), instant(10)), reading(FLEXION, deg(95), instant(18))]
    assert checked(a_plan(wanted), *entries).criteria[0].trend == "improving"
    assert checked(a_plan(wanted, restrictions=[AT_MOST_90]), *entries).criteria[0].trend is None


def test_the_allowed_range_may_have_a_lower_end() -> None:
    bend_kept = restriction(at_least(20), measured=of(DEFICIT))
    plan = limited(bend_kept)
    assert state(reading(DEFICIT, deg(25), LATELY), plan=plan) == "kept"
    assert state(reading(DEFICIT, deg(10), LATELY), plan=plan) == "exceeded"
    assert state(reading(HYPEREXTENSION, deg(3), LATELY), plan=plan) == "exceeded"
    assert state(reading(HYPEREXTENSION, deg(0), LATELY), plan=plan) == "no-reading"


def test_levels_of_a_scale_can_be_restricted() -> None:
    calm = restriction(at_most("1+"), measured=of(EFFUSION))
    assert state(reading(EFFUSION, grade("2+"), LATELY), plan=limited(calm)) == "exceeded"
    assert state(reading(EFFUSION, grade("trace", "2+"), LATELY), plan=limited(calm)) == "possibly-exceeded"


def test_a_restriction_without_an_end_holds_until_its_stage_is_left() -> None:
    plan = limited(restriction(at_most(90), before_day=None))
    left = Course(events=(StageEntered(at=moment(17, 15), stage="discharge", decision="x"),))
    moved = replace(plan, course=left)
    assert checked(plan, bent(deg(110), instant(18))).restrictions[0].state == "exceeded"
    assert [one.state for one in checked(moved, bent(deg(110), instant(18))).restrictions] == []
    assert [one.state for one in checked(moved, bent(deg(110), instant(17))).restrictions] == ["exceeded"]


def test_a_dated_restriction_of_a_stage_that_was_left_still_holds() -> None:
    left = Course(events=(StageEntered(at=moment(17, 15), stage="discharge", decision="x"),))
    found = checked(replace(limited(), course=left), bent(deg(110), instant(18)))
    assert [(one.state, one.in_force) for one in found.restrictions] == [("exceeded", True)]


def test_a_further_surgery_clears_no_excess() -> None:
    plan = limited()
    again = Surgery(id="mua", procedure="Manipulation", on=date(2026, 3, 19), side="left")
    plan = replace(plan, surgeries=(*plan.surgeries, again))
    assert state(bent(deg(110), instant(15)), plan=plan) == "exceeded"


def test_what_waits_for_a_response_stands_first() -> None:
    plan = limited(restriction(at_most(200), name="wide"), restriction(at_most(90), name="narrow"))
    found = checked(plan, bent(deg(110)))
    assert [(one.id, one.state) for one in found.restrictions] == [("narrow", "exceeded"), ("wide", "kept")]


def test_the_involved_side_may_be_named_as_such() -> None:
    assert state(bent(deg(110), side="involved")) == "exceeded"
    assert state(bent(deg(110), side="uninvolved")) == "no-reading"


def test_a_measure_with_an_optional_side_is_restricted_without_one() -> None:
    optional: Measure = replace(FLEXION, side="optional")
    plan = replace(limited(), facts={FLEXION.id: optional})
    assert state(bent(deg(110), side=None), plan=plan) == "exceeded"


@pytest.mark.parametrize(
    ("at", "value", "expected"),
    [
        (instant(9), 100, "exceeded"),  # the order came on day 10, and loosened it from 90 to 120
        (instant(11), 100, "kept"),
        (instant(10), 100, "possibly-exceeded"),  # on its own day nothing tells which held
        (instant(10), 121, "exceeded"),
        (days(9, 11), 100, "possibly-exceeded"),
        (instant(9), 90, "kept"),
    ],
)
def test_what_was_measured_before_an_order_is_judged_by_what_held_before_it(
    at: Moment, value: int, expected: str
) -> None:
    held = Held(until=10, bounds=at_most(90), from_day=0, before_day=28)
    loosened = replace(restriction(at_most(120)), before_orders=(held,))
    check = checked(a_plan(restrictions=[loosened]), reading(FLEXION, deg(value), at))
    assert check.restrictions[0].state == expected


def test_an_order_that_tightens_makes_nothing_exceeded_that_was_allowed() -> None:
    held = Held(until=10, bounds=at_most(90), from_day=0, before_day=28)
    tightened = replace(restriction(at_most(60)), before_orders=(held,))
    assert (
        checked(a_plan(restrictions=[tightened]), reading(FLEXION, deg(85), instant(9))).restrictions[0].state == "kept"
    )


def test_orders_in_conflict_are_marked_until_one_replaces_the_other() -> None:
    def order(name: str, *replaces: str) -> Order:
        change = RestrictionOrder(restriction="limit", bounds=at_most(80), unit="deg")
        return Order(id=name, by="s1", on=date(2026, 3, 2), says="So ordered", change=change, replaces=replaces)

    plan = a_plan(restrictions=[restriction(at_most(80))])
    marks = [one.mark for one in checked(replace(plan, orders=(order("a"), order("b")))).attention]
    settled = [one.mark for one in checked(replace(plan, orders=(order("a"), order("b", "a")))).attention]
    assert ("orders-conflict" in marks, "orders-conflict" in settled) == (True, False)
