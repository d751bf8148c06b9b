"""Levels of a scale: a verdict says what every level says that the value may be."""

from itertools import product

import pytest
from msgspec.structs import replace

from careplan_bridge.criteria.truth import CANNOT_TELL, MET, NOT_MET
from careplan_bridge.criteria.values import hull, possible, within
from careplan_bridge.model.check import Verdict
from careplan_bridge.model.measure import LevelNumber, Measure
from careplan_bridge.model.value import Bounds, Grade, Threshold
from tests.criteria.build import EFFUSION, at_least, at_most, between, grade

LEVELS = EFFUSION.levels
WEIGHT = Measure(
    id="weight_bearing_status",
    term="Weight bearing",
    unit=None,
    bare_unit="level",
    side="required",
    levels=("NWB", "TTWB", "PWB n%", "WBAT", "FWB"),
    undecided=(("TTWB", "PWB n%"), ("WBAT", "FWB")),
    level_number=LevelNumber(level="PWB n%", unit="%", required=True, written="PWB 50%"),
)


def judged(value: Grade, bounds: Bounds, measure: Measure = EFFUSION) -> Verdict:
    return within(possible(value, measure), bounds, measure)


def ranges() -> list[Grade]:
    ends = (None, *LEVELS)
    flags = (True, False)
    return [
        Grade(low, high, low_in, high_in)
        for low, high, low_in, high_in in product(ends, ends, flags, flags)
        if members(Grade(low, high, low_in, high_in))
    ]


def members(value: Grade) -> list[str]:
    return [level for level in LEVELS if _above(level, value) and _below(level, value)]


def _above(level: str, value: Grade) -> bool:
    if value.low is None:
        return True
    place, low = LEVELS.index(level), LEVELS.index(value.low)
    return place > low or (value.low_included and place == low)


def _below(level: str, value: Grade) -> bool:
    if value.high is None:
        return True
    place, high = LEVELS.index(level), LEVELS.index(value.high)
    return place < high or (value.high_included and place == high)


def bounds() -> list[Bounds]:
    ends = (None, *(Threshold(level=level) for level in LEVELS))
    flags = (True, False)
    return [Bounds(low, high, a, b) for low, high, a, b in product(ends, ends, flags, flags) if low or high]


def holds(level: str, wanted: Bounds) -> bool:
    value = Grade(
        wanted.low and wanted.low.level, wanted.high and wanted.high.level, wanted.low_included, wanted.high_included
    )
    return _above(level, value) and _below(level, value)


def test_every_range_against_every_bound_says_what_its_levels_say() -> None:
    for value, wanted in product(ranges(), bounds()):
        if wanted.low == wanted.high and not (wanted.low_included and wanted.high_included):
            continue  # nothing would be allowed
        answers = {holds(level, wanted) for level in members(value)}
        expected = MET if answers == {True} else NOT_MET if answers == {False} else CANNOT_TELL
        assert judged(value, wanted) is expected, (value, wanted)


@pytest.mark.parametrize(
    ("value", "wanted", "expected"),
    [
        (grade("PWB 50%"), at_most("PWB 50%"), MET),
        (grade("PWB 60%"), at_most("PWB 50%"), NOT_MET),
        (grade("PWB 30%", "PWB 60%"), at_most("PWB 50%"), CANNOT_TELL),
        (grade("PWB 30%", "PWB 50%"), at_most("WBAT"), MET),
        (grade("PWB 30%", "PWB 50%"), at_most("PWB 50%"), CANNOT_TELL),  # it may be TTWB
        (grade("TTWB"), at_most("PWB 50%"), CANNOT_TELL),
        (grade("FWB"), at_least("WBAT"), CANNOT_TELL),
        (grade("FWB"), at_most("PWB 50%"), NOT_MET),
        (grade("FWB"), between("FWB", "FWB"), MET),
        (grade("WBAT"), between("FWB", "FWB"), NOT_MET),
    ],
)
def test_an_order_that_nobody_established_is_not_guessed(value: Grade, wanted: Bounds, expected: Verdict) -> None:
    assert judged(value, wanted, WEIGHT) is expected


def test_without_an_order_only_sameness_can_be_told() -> None:
    aids = replace(EFFUSION, order_established=False)
    assert judged(grade("1+"), between("1+", "1+"), aids) is MET
    assert judged(grade("2+"), between("1+", "1+"), aids) is NOT_MET
    assert judged(grade("2+"), at_most("1+"), aids) is CANNOT_TELL


def test_what_lies_between_two_levels_may_be_it_too() -> None:
    values = [possible(grade("zero"), EFFUSION), possible(grade("1+"), EFFUSION)]
    assert hull(values, EFFUSION) == {"zero", "trace", "1+"}
