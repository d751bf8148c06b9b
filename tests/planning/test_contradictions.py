"""No plan asks for what a restriction forbids at that time."""

import pytest

from careplan_bridge.errors import PlanRefused
from careplan_bridge.model.case import RestrictionOrder, WindowOrder
from careplan_bridge.model.criterion import (
    AllOf,
    Alternative,
    AnyOf,
    AtLeastOf,
    Condition,
    Criterion,
    FindingIs,
    FirstDoneOf,
    Measured,
    Restriction,
    TimeSince,
    WithinBounds,
)
from careplan_bridge.model.protocol import Window
from careplan_bridge.model.value import Bounds, Threshold
from tests.planning.small import (
    DAY_0,
    a_case,
    a_criterion,
    a_protocol,
    a_stage,
    at_least,
    at_most,
    bends,
    drafted,
    limit,
)

WALKS = FindingIs(finding="walk", text="Walks")
CONTRADICTION = r"'bend'.*'flexion'"


def _refused(criterion: Criterion, *restrictions: Restriction, window: Window | None = None) -> bool:
    protocol = a_protocol(a_stage(criterion, window=window, restrictions=restrictions))
    try:
        drafted(protocol)
    except PlanRefused:
        return True
    return False


def test_what_is_wanted_at_week_2_and_forbidden_until_week_4_is_refused_naming_both() -> None:
    protocol = a_protocol(a_stage(a_criterion(bends(100)), restrictions=(limit(at_most(120), before=14),)))
    ordered = a_case(RestrictionOrder(restriction="flexion", unit="deg", bounds=at_most(90), before_day=28))
    assert drafted(protocol)
    with pytest.raises(PlanRefused) as refused:
        drafted(protocol, ordered)
    assert str(refused.value) == (
        "Criterion 'bend' of stage 'settle' (Bends far enough) is wanted from 2026-03-16 (day 14), but restriction 'flexion' "
        "(Keep knee flexion (passive, involved side) at most 90 deg before week 4; as ordered by 'o1' of 2026-03-05) forbids it "
        "before 2026-03-30 (day 28); move the stage's earliest advance by an order, or have the surgeon settle the restriction."
    )


def test_an_order_that_moves_the_advance_behind_the_restriction_mends_it() -> None:
    protocol = a_protocol(a_stage(a_criterion(bends(100)), restrictions=(limit(at_most(90), before=28),)))
    with pytest.raises(PlanRefused, match=CONTRADICTION):
        drafted(protocol)
    assert drafted(protocol, a_case(WindowOrder(stage="settle", earliest_advance=28)))


@pytest.mark.parametrize(
    ("earliest", "expected_by", "before", "refused"),
    [
        (14, None, 14, False),  # over on the day it is wanted from
        (14, None, 15, True),  # in force on that one day
        (None, 20, 21, True),  # expected by a day on which it is forbidden
        (None, 21, 21, False),
        (28, 20, 21, True),  # expected before the advance: the sooner day counts
        (None, None, 42, True),  # wanted at the latest on the last day of the window
        (None, None, 41, False),
        (14, None, None, True),  # until the stage is left
    ],
)
def test_when_a_criterion_is_wanted(
    earliest: int | None,
    expected_by: int | None,
    before: int | None,
    refused: bool,  # noqa: FBT001
) -> None:
    window = Window(before_day=42, earliest_advance=earliest)
    criterion = a_criterion(bends(100), expected_by=expected_by)
    assert _refused(criterion, limit(at_most(90), before=before), window=window) == refused


def test_a_stage_that_asks_for_time_wants_its_criteria_no_sooner() -> None:
    stage = a_stage(
        a_criterion(bends(100)),
        a_criterion(TimeSince(at_least=28), name="time"),
        restrictions=(limit(at_most(90), before=28),),
    )
    assert drafted(a_protocol(stage))


def test_a_restriction_that_begins_after_the_stage_is_over_forbids_nothing() -> None:
    assert not _refused(a_criterion(bends(100)), limit(at_most(90), start=42, before=60))


def test_a_dated_restriction_of_an_earlier_stage_still_forbids() -> None:
    first = a_stage(a_criterion(WALKS, name="walk"), restrictions=(limit(at_most(90), before=60),))
    second = a_stage(
        a_criterion(bends(100)), name="load", window=Window(from_day=42, before_day=70, earliest_advance=56)
    )
    with pytest.raises(PlanRefused, match=CONTRADICTION):
        drafted(a_protocol(first, second))


def test_a_restriction_until_its_stage_is_left_does_not_reach_the_next() -> None:
    first = a_stage(a_criterion(WALKS, name="walk"), restrictions=(limit(at_most(90), before=None),))
    second = a_stage(
        a_criterion(bends(100)), name="load", window=Window(from_day=42, before_day=70, earliest_advance=56)
    )
    assert drafted(a_protocol(first, second))


@pytest.mark.parametrize(
    ("wanted", "refused"),
    [
        (bends(90), False),  # the limit itself is allowed
        (bends(91), True),
        (bends(100, "passive"), True),
        (bends(100, "active"), True),  # restrictions hold for every movement
        (bends(100, side="uninvolved"), False),
        (WALKS, False),
        (AllOf(conditions=(WALKS, bends(100))), True),
        (AnyOf(conditions=(WALKS, bends(100))), False),
        (AnyOf(conditions=(bends(95), bends(100))), True),
        (AtLeastOf(count=1, conditions=(WALKS, bends(100))), False),
        (AtLeastOf(count=2, conditions=(WALKS, bends(100))), True),
        (AllOf(conditions=(TimeSince(at_least=28), bends(100))), False),
        (FirstDoneOf(alternatives=(Alternative(condition=bends(100)), Alternative(condition=bends(80)))), False),
        (FirstDoneOf(alternatives=(Alternative(condition=bends(100)), Alternative(condition=bends(95)))), True),
        (FirstDoneOf(alternatives=(Alternative(condition=bends(100), not_before=28),)), False),
    ],
)
def test_what_a_limit_of_90_before_week_4_forbids(wanted: Condition, refused: bool) -> None:  # noqa: FBT001
    assert _refused(a_criterion(wanted), limit(at_most(90))) == refused


def test_another_muscle_is_another_thing() -> None:
    extensors = Measured(measure="hhd_force", qualifiers={"muscle": "knee extensors"})
    flexors = Measured(measure="hhd_force", qualifiers={"muscle": "knee flexors"})
    restriction = limit(at_most(50), measured=extensors)
    assert not _refused(a_criterion(WithinBounds(measured=flexors, bounds=at_least(100))), restriction)
    assert _refused(a_criterion(WithinBounds(measured=extensors, bounds=at_least(100))), restriction)


def test_deficit_and_hyperextension_are_one_scale() -> None:
    deficit = Measured(measure="knee_extension_deficit", qualifiers={"movement": "passive"})
    hyper = Measured(measure="knee_hyperextension", qualifiers={"movement": "passive"})
    stay_bent = limit(at_least(10), measured=deficit)
    assert _refused(a_criterion(WithinBounds(measured=hyper, bounds=at_least(5))), stay_bent)
    assert not _refused(a_criterion(WithinBounds(measured=deficit, bounds=at_most(10))), stay_bent)


def test_levels_are_compared_in_the_order_of_their_scale() -> None:
    load = Measured(measure="weight_bearing_status", qualifiers={"basis": "observed"})
    half = limit(Bounds(high=Threshold(level="PWB 50%")), measured=load)
    full = WithinBounds(measured=load, bounds=Bounds(low=Threshold(level="FWB")))
    third = WithinBounds(measured=load, bounds=Bounds(low=Threshold(level="PWB 30%")))
    assert _refused(a_criterion(full), half)
    assert not _refused(a_criterion(third), half)


def test_all_contradictions_are_named_at_once() -> None:
    stage = a_stage(
        a_criterion(bends(100)), a_criterion(bends(110), name="bend-more"), restrictions=(limit(at_most(90)),)
    )
    with pytest.raises(PlanRefused) as refused:
        drafted(a_protocol(stage))
    assert [line.split("'")[1] for line in str(refused.value).splitlines()] == ["bend", "bend-more"]
    assert DAY_0.isoformat() not in str(refused.value)
