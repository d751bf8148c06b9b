"""What bounds have in common, compared on their measure's scale: as numbers in its unit, or as levels in its order."""

from dataclasses import dataclass
from decimal import Decimal

from careplan_bridge.model.measure import Measure
from careplan_bridge.model.scale import order
from careplan_bridge.model.value import Bounds, Threshold


class NotComparable(Exception):
    """The order of two levels of the scale is not established."""


@dataclass(frozen=True, slots=True)
class _End:
    at: Threshold
    included: bool


def strictest(measure: Measure, first: Bounds, second: Bounds) -> Bounds:
    """What both allow; it may be nothing (`is_empty`). Raises NotComparable."""
    low = _tighter(measure, _low(first), _low(second), higher=True)
    high = _tighter(measure, _high(first), _high(second), higher=False)
    return Bounds(
        low=low and low.at,
        high=high and high.at,
        low_included=low is None or low.included,
        high_included=high is None or high.included,
    )


def is_empty(measure: Measure, bounds: Bounds) -> bool:
    """Does no value lie within? Raises NotComparable."""
    if bounds.low is None or bounds.high is None:
        return False
    place = _compare(measure, bounds.low, bounds.high)
    return place > 0 or (place == 0 and not (bounds.low_included and bounds.high_included))


def completed(bounds: Bounds, by: Bounds) -> Bounds:
    """The bounds, with an end that they leave open taken from `by`."""
    low, high = _low(bounds) or _low(by), _high(bounds) or _high(by)
    return Bounds(
        low=low and low.at,
        high=high and high.at,
        low_included=low is None or low.included,
        high_included=high is None or high.included,
    )


def mirrored(bounds: Bounds) -> Bounds:
    """Bounds of the value with its sign turned over; numbers only."""
    return Bounds(
        low=_negative(bounds.high),
        high=_negative(bounds.low),
        low_included=bounds.high_included,
        high_included=bounds.low_included,
    )


def _negative(at: Threshold | None) -> Threshold | None:
    return None if at is None or at.number is None else Threshold(number=-at.number)


def _low(bounds: Bounds) -> _End | None:
    return None if bounds.low is None else _End(bounds.low, bounds.low_included)


def _high(bounds: Bounds) -> _End | None:
    return None if bounds.high is None else _End(bounds.high, bounds.high_included)


def _tighter(measure: Measure, first: _End | None, second: _End | None, *, higher: bool) -> _End | None:
    if first is None or second is None:
        return first or second
    place = _compare(measure, first.at, second.at)
    if place == 0:
        return first if not first.included else second
    return first if (place > 0) == higher else second


def _compare(measure: Measure, first: Threshold, second: Threshold) -> int:
    if first.number is not None and second.number is not None:
        return _sign(first.number, second.number)
    found = order(measure, first.level or "", second.level or "")
    if found is None:
        raise NotComparable
    return found


def _sign(first: Decimal, second: Decimal) -> int:
    return (first > second) - (first < second)
