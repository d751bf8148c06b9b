"""Numbers that are known only to lie between two bounds, and exact arithmetic with them.

A bound is a decimal as it was recorded or a fraction that was computed: nothing is rounded, so a verdict never hangs on how a
machine counts. None is an open end.
"""

from collections.abc import Iterable
from decimal import Decimal
from fractions import Fraction

from msgspec import Struct

from careplan_bridge.criteria.truth import CANNOT_TELL, MET, NOT_MET, all_of
from careplan_bridge.model.check import Verdict

Number = Decimal | Fraction
_End = tuple[Number | None, bool]


class Interval(Struct, frozen=True):
    """The numbers from `low` to `high`; an end that is not included is not among them."""

    low: Number | None
    high: Number | None
    low_included: bool = True
    high_included: bool = True

    @classmethod
    def exactly(cls, value: Number) -> "Interval":
        return cls(value, value)

    @property
    def exact(self) -> bool:
        return self.low is not None and self.low == self.high


def at_least(value: Interval, bound: Number, *, included: bool = True) -> Verdict:
    """Is the value at least the bound (or above it, where the bound is not included)?"""
    if value.low is not None and (value.low > bound or (value.low == bound and (included or not value.low_included))):
        return MET
    if value.high is None:
        return CANNOT_TELL
    # `< 90` from a device never reaches 90: its bound is not among the values.
    short = value.high < bound or (value.high == bound and not (included and value.high_included))
    return NOT_MET if short else CANNOT_TELL


def at_most(value: Interval, bound: Number, *, included: bool = True) -> Verdict:
    return at_least(negative(value), _negated(bound), included=included)


def inside(value: Interval, wanted: Interval) -> Verdict:
    """Does the value lie within what is wanted? Exact, because an interval has no holes."""
    sides: list[Verdict] = []
    if wanted.low is not None:
        sides.append(at_least(value, wanted.low, included=wanted.low_included))
    if wanted.high is not None:
        sides.append(at_most(value, wanted.high, included=wanted.high_included))
    return all_of(sides)


def hull(values: Iterable[Interval]) -> Interval:
    """The smallest interval that holds all of them; there is at least one."""
    several = list(values)
    if len(several) == 1:
        return several[0]
    low, low_included = _lowest((value.low, value.low_included) for value in several)
    high, high_included = _lowest((_minus(value.high), value.high_included) for value in several)
    return Interval(low, _minus(high), low_included, high_included)


def highest(certain: Iterable[Interval], possibly: Iterable[Interval]) -> Interval:
    """The highest of several values: no lower than any of those that certainly count, no higher than all that may.

    `possibly` holds the certain ones too; there is at least one of them.
    """
    lows = [(value.low, value.low_included) for value in certain if value.low is not None]
    highest_low = max((low for low, _ in lows), default=None)
    highs = [(value.high, value.high_included) for value in possibly]
    high = None if any(end is None for end, _ in highs) else max(end for end, _ in highs if end is not None)
    return Interval(
        highest_low,
        high,
        all(included for low, included in lows if low == highest_low),
        any(included for end, included in highs if end == high) or high is None,
    )


def negative(value: Interval) -> Interval:
    return Interval(_minus(value.high), _minus(value.low), value.high_included, value.low_included)


def difference(a: Interval, b: Interval) -> Interval:
    """Every value of `a` minus every value of `b`."""
    return Interval(
        _sum(a.low, _minus(b.high)),
        _sum(a.high, _minus(b.low)),
        a.low_included and b.high_included,
        a.high_included and b.low_included,
    )


def magnitude(value: Interval) -> Interval:
    """The values without their sign."""
    if at_least(value, Fraction(0)) is MET:
        return value
    if at_most(value, Fraction(0)) is MET:
        return negative(value)
    farthest = hull([value, negative(value)])
    return Interval(Fraction(0), farthest.high, high_included=farthest.high_included)


def percentage(part: Interval, whole: Interval) -> Interval | None:
    """Every value of `part` as per cent of every value of `whole`; None where one may be below zero or the whole may be zero."""
    if at_least(part, Fraction(0)) is not MET or at_least(whole, Fraction(0), included=False) is not MET:
        return None
    low, low_included = _quotient((part.low, part.low_included), (whole.high, whole.high_included))
    high, high_included = _quotient((part.high, part.high_included), (whole.low, whole.low_included))
    return Interval(low, high, low_included, high_included)


def _quotient(part: _End, whole: _End) -> _End:
    """One end of the percentages; towards zero where the whole has no upper end, without end where it begins at zero."""
    (above, above_included), (below, below_included) = part, whole
    if above == 0:
        return Fraction(0), above_included
    if below is None:
        return Fraction(0), False
    if above is None or below == 0:
        return None, True
    return 100 * Fraction(above) / Fraction(below), above_included and below_included


def _lowest(ends: Iterable[_End]) -> _End:
    several = list(ends)
    numbers = [number for number, _ in several if number is not None]
    if len(numbers) < len(several):
        return None, True
    low = min(numbers)
    return low, any(included for number, included in several if number == low)


def _minus(number: Number | None) -> Number | None:
    return None if number is None else _negated(number)


def _negated(number: Number) -> Number:
    # The minus sign of a Decimal rounds to the context's digits, `copy_negate` keeps every one.
    return number.copy_negate() if isinstance(number, Decimal) else -number


def _sum(a: Number | None, b: Number | None) -> Number | None:
    return None if a is None or b is None else Fraction(a) + Fraction(b)
