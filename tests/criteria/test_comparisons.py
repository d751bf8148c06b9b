"""The other limb, and the first visit after surgery, as the measure of what is reached."""

from datetime import date
from decimal import Decimal

import pytest

from careplan_bridge.criteria.truth import CANNOT_TELL, MET, NOT_MET
from careplan_bridge.model.case import Surgery
from careplan_bridge.model.check import CriterionResult, Verdict
from careplan_bridge.model.criterion import Change, OtherSide, Reference
from careplan_bridge.model.measure import Measure
from careplan_bridge.model.reading import Reading
from careplan_bridge.model.value import Amount, Moment
from tests.built import SURGERY
from tests.criteria.build import (
    DEFICIT,
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
    instant,
    judged,
    of,
    reading,
    unusable,
)

INDEX_75 = OtherSide(measured=of(FORCE), index=at_least(75))
TIMED = OtherSide(measured=of(DEFICIT), index=at_least(75))
APART_2 = OtherSide(measured=of(DEFICIT), difference=at_most(2))
GAINED_20 = Change(measured=of(FLEXION), bounds=at_least(20))
TODAY = instant(18)


def newton(low: object, high: object = None) -> Amount:
    return deg(low, high, unit="N")


def pair(measure: Measure, left: Amount, right: Amount) -> list[Reading]:
    return [reading(measure, left, TODAY), reading(measure, right, TODAY, side="right")]


def sides(left: Amount, right: Amount) -> CriterionResult:
    return judged(INDEX_75, *pair(FORCE, left, right))


@pytest.mark.parametrize(
    ("left", "right", "verdict", "said"),
    [
        (newton(75), newton(100), MET, "75 %"),
        (newton(101), newton(140), NOT_MET, "72.1 %"),
        (newton("74.999"), newton(100), NOT_MET, "74.999 %"),
        (newton("149.9999"), newton(200), NOT_MET, "74.99995 %"),
        (newton(2), newton("2.666667"), NOT_MET, "74.99999 %"),
        (newton(80, 90), newton(100), MET, "80 to 90 %"),
        (newton(70, 90), newton(100), CANNOT_TELL, "70 to 90 %"),
    ],
)
def test_the_limb_symmetry_index(left: Amount, right: Amount, verdict: Verdict, said: str) -> None:
    found = sides(left, right)
    assert found.verdict is verdict
    assert f": {said}; a limb symmetry index of at least 75 % wanted" in found.arithmetic


def test_where_lower_is_better_the_index_is_turned_over() -> None:
    found = judged(TIMED, *pair(DEFICIT, deg(10), deg(8)))
    assert found.verdict is MET
    assert ": 80 %;" in found.arithmetic


def test_nothing_is_divided_by_what_may_be_zero() -> None:
    assert sides(newton(75), newton(0)).reason == "no-index"
    assert sides(newton(75), newton(0, 100)).verdict is CANNOT_TELL


def test_both_sides_are_needed_and_both_must_be_recent() -> None:
    assert judged(INDEX_75, reading(FORCE, newton(75), TODAY)).reason == "no-matching-reading"
    old = [reading(FORCE, newton(75), TODAY), reading(FORCE, newton(80), instant(4), side="right")]
    assert judged(INDEX_75, *old).reason == "out-of-date"
    unclear = [*pair(FORCE, newton(90), newton(100)), unusable(FORCE, instant(19), side="right")]
    assert judged(INDEX_75, *unclear).reason == "newer-unusable-entry"


def test_an_operated_limb_is_no_reference() -> None:
    other = Surgery(id="old", procedure="ACL reconstruction", on=date(2019, 5, 5), side="right")
    plan = a_plan(criterion(INDEX_75), surgeries=(SURGERY, other))
    found = checked(plan, *pair(FORCE, newton(99), newton(100))).criteria[0]
    assert (found.verdict, found.reason) == (CANNOT_TELL, "other-side-operated")


@pytest.mark.parametrize(
    ("left", "right", "verdict", "apart"),
    [
        ((DEFICIT, 0), (DEFICIT, 0), MET, "0 deg"),
        ((DEFICIT, 2), (DEFICIT, 0), MET, "2 deg"),
        ((DEFICIT, 0), (HYPEREXTENSION, 8), NOT_MET, "8 deg"),
        ((DEFICIT, 3), (HYPEREXTENSION, 2), NOT_MET, "5 deg"),
        ((HYPEREXTENSION, 5), (HYPEREXTENSION, 6), MET, "1 deg"),
        ((HYPEREXTENSION, 9), (DEFICIT, 0), NOT_MET, "9 deg"),
    ],
)
def test_deficit_and_hyperextension_are_one_signed_scale(
    left: tuple[Measure, int], right: tuple[Measure, int], verdict: Verdict, apart: str
) -> None:
    entries = [reading(left[0], deg(left[1]), TODAY), reading(right[0], deg(right[1]), TODAY, side="right")]
    found = judged(APART_2, *entries)
    assert found.verdict is verdict
    assert f": {apart}; a side difference of at most 2 deg wanted" in found.arithmetic


def test_neutral_beside_hyperextension_is_no_contradiction() -> None:
    entries = [
        reading(DEFICIT, deg(0), TODAY),
        reading(DEFICIT, deg(0), TODAY, side="right"),
        reading(HYPEREXTENSION, deg(8), TODAY, side="right"),
    ]
    assert judged(APART_2, *entries).verdict is NOT_MET


def test_a_difference_may_be_uncertain() -> None:
    assert judged(APART_2, *pair(DEFICIT, deg(1, 4), deg(0))).verdict is CANNOT_TELL
    assert judged(APART_2, *pair(DEFICIT, deg(1, 2), deg(0, 1))).verdict is MET


def bent(value: object, at: Moment) -> Reading:
    return reading(FLEXION, deg(value), at)


def test_change_counts_from_the_first_visit_after_surgery() -> None:
    found = judged(GAINED_20, bent(130, instant(-4)), bent(80, instant(3)), bent(90, instant(9)), bent(101, TODAY))
    assert found.verdict is MET
    assert found.arithmetic == (
        "101 deg on 2026-03-20, first 80 deg on 2026-03-05: 21 deg; "
        "a change of at least 20 deg since the first visit after surgery wanted: 1 deg above"
    )
    assert judged(GAINED_20, bent(85, instant(3)), bent(101, TODAY)).verdict is NOT_MET


def test_of_the_first_visit_the_later_moment_counts() -> None:
    entries = [bent(95, instant(3, 9)), bent(80, instant(3, 11)), bent(101, TODAY)]
    assert judged(GAINED_20, *entries).verdict is MET


def test_one_visit_is_no_change() -> None:
    assert judged(GAINED_20, bent(101, TODAY)).reason == "only-the-baseline"


def test_a_first_visit_in_doubt_widens_the_change() -> None:
    assert judged(GAINED_20, bent(95, instant(0)), bent(80, instant(3)), bent(101, TODAY)).verdict is CANNOT_TELL
    assert judged(GAINED_20, bent(80, days(2, 4)), bent(75, instant(3)), bent(101, TODAY)).verdict is MET
    assert judged(GAINED_20, unusable(FLEXION, instant(2)), bent(80, instant(3)), bent(101, TODAY)).reason == (
        "baseline-unusable-entry"
    )


def test_a_reference_that_a_clinician_named_stands_in_for_the_other_limb() -> None:
    other = Surgery(id="other", procedure="Meniscectomy", on=date(2020, 1, 1), side="right")
    reference = Reference(value=Decimal(400), order="ref", by="s1")
    asked = OtherSide(measured=of(FORCE), index=at_least(75), reference=reference)
    plan = a_plan(criterion(asked), surgeries=[SURGERY, other])
    (found,) = checked(plan, *pair(FORCE, newton(300), newton(10))).criteria
    assert (found.verdict, "reference 400 N (order ref)" in found.arithmetic) == (MET, True)
    (short,) = checked(plan, reading(FORCE, newton(299), TODAY)).criteria
    assert short.verdict is NOT_MET


def test_a_reference_is_on_the_signed_scale_like_the_measure_it_is_given_in() -> None:
    reference = Reference(value=Decimal(3), order="ref", by="s1")
    asked = OtherSide(measured=of(DEFICIT), difference=at_most(2), reference=reference)
    assert judged(asked, reading(DEFICIT, deg(5), TODAY)).verdict is MET
    assert judged(asked, reading(HYPEREXTENSION, deg(5), TODAY)).verdict is NOT_MET
