"""Which value counts now, and when none can be told."""

from datetime import UTC, date, datetime
from decimal import Decimal

import pytest

from careplan_bridge.criteria.truth import CANNOT_TELL, MET, NOT_MET
from careplan_bridge.model.case import Surgery
from careplan_bridge.model.check import CriterionResult, Verdict
from careplan_bridge.model.criterion import WithinBounds
from careplan_bridge.model.reading import Caveat, Reading, Unusable
from careplan_bridge.model.value import Moment
from tests.criteria.build import (
    ACTIVE,
    DEFICIT,
    EFFUSION,
    FLEXION,
    HYPEREXTENSION,
    WALK,
    a_plan,
    at_least,
    at_most,
    between,
    checked,
    criterion,
    days,
    deg,
    grade,
    instant,
    judged,
    moment,
    of,
    reading,
    unusable,
)

REACHES_100 = WithinBounds(measured=of(FLEXION), bounds=at_least(100))
OTHER_POSITIONS = {**ACTIVE, "position": "sitting"}
SUPINE = {**ACTIVE, "position": "supine"}


LATELY = instant(18)


def flexion(value: object, at: Moment = LATELY, **more: object) -> Reading:
    return reading(FLEXION, deg(value), at, **more)  # pyright: ignore[reportArgumentType]


def result(*entries: Reading | Unusable, no_older_than: int | None = 10) -> CriterionResult:
    return judged(REACHES_100, *entries, no_older_than=no_older_than)


def test_the_sum_is_said_in_words() -> None:
    found = result(flexion(112))
    assert (found.verdict, found.arithmetic) == (MET, "112 deg on 2026-03-20; at least 100 deg wanted: 12 deg above")
    assert [(one.shown, one.day, one.used) for one in found.readings] == [("112 deg", date(2026, 3, 20), True)]


@pytest.mark.parametrize(
    ("wanted", "value", "verdict", "sentence"),
    [
        (at_least(100), deg(100), MET, "100 deg on 2026-03-20; at least 100 deg wanted: exactly that"),
        (at_least(100), deg("99.9"), NOT_MET, "99.9 deg on 2026-03-20; at least 100 deg wanted: 0.1 deg below"),
        (at_most(100), deg("104.50"), NOT_MET, "104.50 deg on 2026-03-20; at most 100 deg wanted: 4.5 deg above"),
        (between(80, 130), deg(90), MET, "90 deg on 2026-03-20; between 80 deg and 130 deg wanted"),
        (between(80, 130), deg(70), NOT_MET, "70 deg on 2026-03-20; between 80 deg and 130 deg wanted: 10 deg below"),
        (at_least(100), deg(95, 105), CANNOT_TELL, "95 to 105 deg on 2026-03-20; at least 100 deg wanted"),
        (
            at_least(100),
            deg("", 100, high_included=False),
            NOT_MET,
            "below 100 deg on 2026-03-20; at least 100 deg wanted",
        ),
        (at_least(100), deg(100, ""), MET, "at least 100 deg on 2026-03-20; at least 100 deg wanted"),
    ],
)
def test_values_against_bounds(wanted: object, value: object, verdict: Verdict, sentence: str) -> None:
    condition = WithinBounds(measured=of(FLEXION), bounds=wanted)  # pyright: ignore[reportArgumentType]
    found = judged(condition, reading(FLEXION, value, instant(18)))  # pyright: ignore[reportArgumentType]
    assert (found.verdict, found.arithmetic) == (verdict, sentence)


def test_the_latest_visit_counts() -> None:
    assert result(flexion(112, instant(10)), flexion(90, instant(17))).verdict is NOT_MET


def test_within_a_day_the_later_moment_counts() -> None:
    found = result(flexion(90, instant(18, 9)), flexion(112, instant(18, 10)))
    assert found.verdict is MET
    assert [one.used for one in found.readings] == [False, True]


def test_overlapping_moments_form_their_hull() -> None:
    that_day = Moment(moment(18, 0), moment(18, 20))
    found = result(flexion(90, that_day), flexion(112, instant(18, 10)))
    assert (found.verdict, found.arithmetic) == (CANNOT_TELL, "90 to 112 deg on 2026-03-20; at least 100 deg wanted")


def test_same_day_readings_that_differ_only_in_what_is_left_out_form_their_hull() -> None:
    lying, sitting = (
        flexion(95, instant(18, 9), qualifiers=SUPINE),
        flexion(105, instant(18, 10), qualifiers=OTHER_POSITIONS),
    )
    assert result(lying, sitting).verdict is CANNOT_TELL
    # On another day the later visit counts, in whatever position.
    assert result(flexion(95, instant(17), qualifiers=SUPINE), sitting).verdict is MET


def test_what_is_named_must_be_known_and_equal() -> None:
    lying = WithinBounds(measured=of(FLEXION, SUPINE), bounds=at_least(100))
    assert judged(lying, flexion(112, qualifiers=SUPINE)).verdict is MET
    other = judged(lying, flexion(112, qualifiers=OTHER_POSITIONS))
    assert (other.verdict, other.reason) == (CANNOT_TELL, "no-matching-reading")
    assert "112 deg (active, sitting, left side)" in other.arithmetic
    unknown = judged(lying, flexion(112))
    assert (unknown.verdict, unknown.reason) == (CANNOT_TELL, "in-doubt")


def test_a_reading_in_doubt_widens_but_never_counts_alone() -> None:
    lying = WithinBounds(measured=of(FLEXION, SUPINE), bounds=at_least(100))
    earlier = flexion(112, instant(15), qualifiers=SUPINE)
    assert judged(lying, earlier, flexion(108)).verdict is MET
    assert judged(lying, earlier, flexion(92)).verdict is CANNOT_TELL
    assert judged(lying, flexion(92, instant(15)), flexion(112, qualifiers=SUPINE)).verdict is MET


def test_sides_are_resolved_against_the_plan() -> None:
    assert result(flexion(112, side="involved")).verdict is MET
    for other in ("right", "uninvolved"):
        assert result(flexion(112, side=other)).reason == "no-reading"


def test_a_moment_that_spans_days_is_of_any_of_them() -> None:
    assert result(flexion(90, instant(12)), flexion(112, days(14, 18))).verdict is MET
    straddling = result(flexion(90, instant(16)), flexion(112, days(14, 18)))
    assert (straddling.verdict, straddling.reason) == (CANNOT_TELL, "value-uncertain")
    assert [one.day for one in straddling.readings] == [None, date(2026, 3, 18)]


def test_readings_before_surgery_are_history_only() -> None:
    found = result(flexion(120, instant(-5)))
    assert (found.verdict, found.reason) == (CANNOT_TELL, "before-surgery")
    assert [(one.shown, one.used) for one in found.readings] == [("120 deg", False)]


def test_the_other_knee_before_surgery_is_no_history_of_this_one() -> None:
    assert result(flexion(130, instant(-5), side="right")).reason == "no-reading"


def test_a_moment_at_the_end_of_all_calendars_is_still_a_moment() -> None:
    plan = a_plan(criterion(REACHES_100), zone="America/New_York")
    first = Moment(datetime(1, 1, 1, tzinfo=UTC), datetime(1, 1, 1, tzinfo=UTC))
    endless = Moment(moment(15), datetime(9999, 12, 31, 23, 59, tzinfo=UTC))
    assert checked(plan, flexion(120, first)).criteria[0].reason == "before-surgery"
    assert checked(plan, flexion(120, endless)).criteria[0].verdict is MET


def test_on_the_day_of_surgery_nothing_tells_which_came_first() -> None:
    assert result(flexion(120, instant(0)), no_older_than=None).reason == "in-doubt"


def test_a_further_surgery_makes_what_came_before_it_history() -> None:
    again = Surgery(id="mua", procedure="Manipulation under anaesthesia", on=date(2026, 3, 19), side="left")
    plan = a_plan(criterion(REACHES_100))
    with_it = a_plan(criterion(REACHES_100), surgeries=(*plan.surgeries, again))
    before, after = flexion(112, instant(15)), flexion(112, instant(18))
    assert checked(plan, before).criteria[0].verdict is MET
    assert checked(with_it, before).criteria[0].reason == "before-surgery"
    assert checked(with_it, before, after).criteria[0].verdict is MET
    assert [mark.mark for mark in checked(with_it, after).attention] == ["amend-plan"]
    # Until its day it changes nothing; a surgery on the other limb never does.
    assert checked(with_it, before, at=moment(16)).criteria[0].verdict is MET
    other = a_plan(
        criterion(REACHES_100), surgeries=(*plan.surgeries, Surgery(id="x", procedure="x", on=again.on, side="right"))
    )
    assert checked(other, before).criteria[0].verdict is MET


def test_readings_after_the_moment_are_not_seen() -> None:
    late = flexion(90, instant(20, 18, 1))
    assert result(flexion(112), late).verdict is MET
    assert (
        checked(a_plan(criterion(REACHES_100)), flexion(112), late, at=moment(20, 18, 1)).criteria[0].verdict is NOT_MET
    )


@pytest.mark.parametrize(("day", "reason"), [(10, "met"), (9, "out-of-date")])
def test_no_older_than_includes_its_day(day: int, reason: str) -> None:
    assert result(flexion(112, instant(day))).reason == reason


def test_an_age_that_is_not_known_is_not_young() -> None:
    assert result(flexion(112, days(8, 11))).reason == "age-uncertain"


def test_a_newer_unusable_entry_makes_the_latest_unknown() -> None:
    older = flexion(112, instant(15))
    assert result(older, unusable(FLEXION, instant(18))).reason == "newer-unusable-entry"
    assert result(older, unusable(FLEXION, None)).reason == "newer-unusable-entry"
    assert result(flexion(112), unusable(FLEXION, instant(15))).verdict is MET
    alone = result(unusable(FLEXION, instant(18)))
    assert (alone.reason, alone.settle) == ("unusable-entry", "left or right")


def test_an_unusable_entry_that_is_certainly_about_something_else_does_not_matter() -> None:
    older = flexion(112, instant(15))
    for other in (
        unusable(FLEXION, instant(18), side="right"),
        unusable(FLEXION, instant(18), qualifiers={"movement": "passive"}),
        unusable(EFFUSION, instant(18)),
        unusable(None, instant(18)),
        unusable(FLEXION, instant(-3)),
    ):
        found = checked(a_plan(criterion(REACHES_100)), older, other)
        assert found.criteria[0].verdict is MET, other
    assert found.digest


def test_an_unusable_entry_of_the_same_day_is_replaced_only_by_a_later_one_of_its_kind() -> None:
    mistyped = unusable(FLEXION, instant(18, 9), side="left", qualifiers=ACTIVE)
    assert result(mistyped, flexion(112, instant(18, 10))).verdict is MET
    unknown = unusable(FLEXION, instant(18, 9), side="left")
    assert result(unknown, flexion(112, instant(18, 10))).reason == "newer-unusable-entry"


def test_a_void_entry_counts_as_never_made_and_is_named() -> None:
    found = checked(
        a_plan(criterion(REACHES_100)), flexion(112, instant(15)), unusable(FLEXION, instant(18), void=True)
    )
    assert found.criteria[0].verdict is MET
    assert [mark.mark for mark in found.attention] == ["withdrawn"]
    assert [entry.void for entry in found.unusable] == [True]


def test_an_incomplete_retrieval_tells_no_latest_value() -> None:
    found = checked(a_plan(criterion(REACHES_100)), flexion(112), complete=False)
    assert (found.criteria[0].verdict, found.criteria[0].reason) == (CANNOT_TELL, "incomplete")
    assert [mark.mark for mark in found.attention] == ["incomplete"]


def test_a_weakening_caveat_counts_only_where_it_is_accepted() -> None:
    painful = Caveat("painful", "the test hurt", weakens=True)
    shown = Caveat("triple-order", "the order is not declared", weakens=False)
    assert result(flexion(112, caveats=[shown])).verdict is MET
    assert result(flexion(112, caveats=[painful])).reason == "caveat"
    accepted = checked(a_plan(criterion(REACHES_100, accepts=["painful"])), flexion(112, caveats=[painful]))
    assert accepted.criteria[0].verdict is MET


def test_a_frame_is_no_answer_to_what_was_asked_without_one() -> None:
    unaided = WithinBounds(measured=of(WALK, {"aid": "none"}), bounds=at_most(14))
    found = judged(unaided, reading(WALK, deg(12, unit="s"), instant(18), qualifiers={"aid": "walking frame"}))
    assert (found.verdict, found.reason) == (CANNOT_TELL, "no-matching-reading")
    assert found.settle == "timed up and go (aid none), measured"


def test_hyperextension_is_no_deficit() -> None:
    straight = WithinBounds(measured=of(DEFICIT), bounds=at_most(0))
    past = reading(HYPEREXTENSION, deg(5), instant(18))
    assert judged(straight, reading(DEFICIT, deg(3), instant(15)), past).verdict is MET
    # No hyperextension is not the same as no deficit.
    none = reading(HYPEREXTENSION, deg(0), instant(18))
    assert judged(straight, reading(DEFICIT, deg(3), instant(15)), none).verdict is NOT_MET
    assert judged(straight, none).verdict is CANNOT_TELL


@pytest.mark.parametrize(
    ("value", "instrument", "near"),
    [
        (101, None, "yes"),
        (106, None, "yes"),
        (107, None, "unknown"),
        (107, "inclinometer", "no"),
        (107, "goniometer", "yes"),
        (111, None, "no"),
        (94, None, "yes"),
    ],
)
def test_within_measurement_error_of_the_bound(value: int, instrument: str | None, near: str) -> None:
    circumstances = {"instrument": instrument} if instrument else {}
    assert result(flexion(value, circumstances=circumstances)).within_measurement_error == near


def test_without_a_figure_that_applies_measurement_error_is_unknown() -> None:
    passive = of(FLEXION, {"movement": "passive"})
    found = judged(
        WithinBounds(measured=passive, bounds=at_least(100)),
        reading(FLEXION, deg(101), instant(18), qualifiers={"movement": "passive"}),
    )
    assert (found.verdict, found.within_measurement_error) == (MET, "unknown")


def test_the_words_never_contradict_the_verdict() -> None:
    close = reading(FLEXION, deg(Decimal("99.99999")), instant(18))
    assert result(close).arithmetic == "99.99999 deg on 2026-03-20; at least 100 deg wanted: 0.00001 deg below"
    found = judged(
        WithinBounds(measured=of(EFFUSION), bounds=at_most("1+")), reading(EFFUSION, grade("trace", "2+"), instant(18))
    )
    assert (found.verdict, found.arithmetic) == (CANNOT_TELL, "trace or 1+ or 2+ on 2026-03-20; at most 1+ wanted")
