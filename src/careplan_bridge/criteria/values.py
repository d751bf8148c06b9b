"""What a reading's value may be, and whether it lies within bounds: numbers as intervals, levels of a scale as sets."""

from collections.abc import Iterable
from decimal import Decimal

from careplan_bridge.criteria import interval
from careplan_bridge.criteria.interval import Interval
from careplan_bridge.criteria.truth import CANNOT_TELL, all_of, opposite, truth, unanimous
from careplan_bridge.model.check import Verdict
from careplan_bridge.model.measure import Measure
from careplan_bridge.model.scale import known, order
from careplan_bridge.model.value import Amount, Bounds, Grade, Threshold, Value

Levels = frozenset[str]
Possible = Interval | Levels


def possible(value: Value, measure: Measure) -> Possible:
    """All that the value may be."""
    if isinstance(value, Amount):
        return Interval(value.low, value.high, value.low_included, value.high_included)
    return _levels(value, measure)


def within(value: Possible, bounds: Bounds, measure: Measure) -> Verdict:
    """Met if and only if everything the value may be lies within the bounds, not met if and only if nothing does."""
    if isinstance(value, Interval):
        return interval.inside(value, wanted(bounds))
    return unanimous(_level_within(level, bounds, measure) for level in value)


def hull(values: Iterable[Possible], measure: Measure) -> Possible:
    """What lies between the values as well: nothing tells which of them is right."""
    several = list(values)
    numbers = [value for value in several if isinstance(value, Interval)]
    if numbers:
        return interval.hull(numbers)
    union = frozenset(level for value in several if isinstance(value, frozenset) for level in value)
    return union | {level for level in measure.levels if _between(level, union, measure)}


def wanted(bounds: Bounds) -> Interval:
    """Numeric bounds as an interval."""
    return Interval(_number(bounds.low), _number(bounds.high), bounds.low_included, bounds.high_included)


def _number(threshold: Threshold | None) -> Decimal | None:
    return threshold.number if threshold else None


def _levels(grade: Grade, measure: Measure) -> Levels:
    """The levels from low to high. A level that is not certainly outside may be the one."""
    ends = {end for end in (grade.low, grade.high) if end is not None}
    if len(ends) == 1 and grade.low == grade.high:
        return frozenset(ends)
    # A numbered level (`PWB n%`) stands for endlessly many: the ends speak for those between, whether included or not.
    inside = {level for level in measure.levels if known(measure, level) and not _outside(level, grade, measure)}
    return frozenset(inside | ends if measure.level_number else inside or ends)


def _outside(level: str, grade: Grade, measure: Measure) -> bool:
    below = grade.low is not None and order(measure, level, grade.low) in ((-1,) if grade.low_included else (-1, 0))
    return below or (
        grade.high is not None and order(measure, level, grade.high) in ((1,) if grade.high_included else (1, 0))
    )


def _between(level: str, levels: Levels, measure: Measure) -> bool:
    sides = {order(measure, level, other) for other in levels}
    return {-1, 1} <= sides


def _level_within(level: str, bounds: Bounds, measure: Measure) -> Verdict:
    low, high = bounds.low and bounds.low.level, bounds.high and bounds.high.level
    if low is not None and low == high:
        return _same(level, low, measure)
    sides = [] if low is None else [opposite(_before(level, low, measure, or_same=not bounds.low_included))]
    sides += [] if high is None else [_before(level, high, measure, or_same=bounds.high_included)]
    return all_of(sides)


def _same(level: str, wanted_level: str, measure: Measure) -> Verdict:
    """Two names are two levels, even where nobody has established which of them comes first."""
    return truth(order(measure, level, wanted_level) == 0)


def _before(level: str, bound: str, measure: Measure, *, or_same: bool) -> Verdict:
    found = order(measure, level, bound)
    if found is None:
        return CANNOT_TELL
    return truth(found < 0 or (or_same and found == 0))
