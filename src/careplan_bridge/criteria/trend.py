"""How a value moved over the last visits. It is said only beyond measurement error, and only where an error figure applies.

Which way is better is the criterion's, not the measure's: after a repair, more is not always better.
"""

from collections.abc import Sequence
from fractions import Fraction
from itertools import combinations, islice
from typing import Literal

from msgspec import Struct

from careplan_bridge.criteria.current import Known
from careplan_bridge.criteria.interval import Interval, Number
from careplan_bridge.criteria.measurement_error import changed, figures
from careplan_bridge.criteria.record import Record
from careplan_bridge.criteria.selection import candidates, in_doubt, visits
from careplan_bridge.criteria.truth import MET, NOT_MET, any_of
from careplan_bridge.criteria.values import hull, possible, wanted
from careplan_bridge.model.check import Verdict
from careplan_bridge.model.conditions import simple
from careplan_bridge.model.criterion import Criterion, Measured, WithinBounds
from careplan_bridge.model.measure import Measure
from careplan_bridge.model.value import Bounds

Trend = Literal["improving", "worsening", "no-change"]
VISITS = 3  # what a trend looks back over


class Movement(Struct, frozen=True):
    """`trend` is None where it cannot be told; `stalled` only if there was certainly no change over that many visits."""

    trend: Trend | None = None
    stalled: bool = False


Movements = Sequence[tuple[WithinBounds, Movement]]


def movements(criterion: Criterion, record: Record) -> Movements:
    """The movement of every value that a criterion bounds; all else has none of its own."""
    parts = [part for part in simple(criterion.condition) if isinstance(part, WithinBounds)]
    return [(part, movement(part, record, stalled_over=criterion.stalled_over)) for part in parts]


def movement(condition: WithinBounds, record: Record, *, stalled_over: int = VISITS) -> Movement:
    """The trend over the last three visits on which the measure was taken; stalled over as many as the criterion says."""
    measure = record.facts(condition.measured.measure)
    last = _last_visits(condition.measured, measure, record, VISITS)
    if len(last) < 2:  # noqa: PLR2004 - a movement has two ends
        return Movement()
    row = last if stalled_over == VISITS else _last_visits(condition.measured, measure, record, stalled_over)
    stalled = len(row) == stalled_over and _moved(row, measure) is NOT_MET
    return Movement(_trend(last, condition.bounds, measure), stalled)


def _last_visits(asked: Measured, measure: Measure, record: Record, count: int) -> list[Known]:
    """Newest first. Nothing is told where one of them is in doubt, or the retrieval is not complete."""
    if not record.complete:
        return []
    last = list(islice(visits(candidates(asked, record)), count))
    if any(in_doubt(visit) for visit in last):
        return []
    entries = [tuple(one.entry for one in visit) for visit in last]
    return [
        Known(hull([possible(entry.value, measure) for entry in visit if entry.value], measure), visit)
        for visit in entries
    ]


def _moved(last: Sequence[Known], measure: Measure) -> Verdict:
    return any_of(_changed(earlier, later, measure) for later, earlier in combinations(last, 2))


def _changed(earlier: Known, later: Known, measure: Measure) -> Verdict:
    return changed(earlier.value, later.value, figures(measure, (*earlier.entries, *later.entries)))


def _trend(last: Sequence[Known], bounds: Bounds, measure: Measure) -> Trend | None:
    earlier, later = last[-1], last[0]
    moved = _changed(earlier, later, measure)
    if moved is NOT_MET:
        return "no-change"
    return _direction(earlier, later, bounds) if moved is MET else None


def _direction(earlier: Known, later: Known, bounds: Bounds) -> Trend | None:
    """Towards what is asked for, or away from it; inside two bounds neither."""
    before, after = _shortfall(earlier, bounds), _shortfall(later, bounds)
    if before is None or after is None or before == after:
        return None
    return "improving" if after < before else "worsening"


def _shortfall(known: Known, bounds: Bounds) -> Fraction | None:
    """How far the middle of the value lies from what is asked for; on one bound, below zero once it is passed."""
    middle, limits = _middle(known.value), wanted(bounds)
    if middle is None:
        return None
    low = None if limits.low is None else Fraction(limits.low) - middle
    high = None if limits.high is None else middle - Fraction(limits.high)
    if low is None or high is None:
        return low if high is None else high
    return max(low, high, Fraction(0))


def _middle(value: object) -> Fraction | None:
    if not isinstance(value, Interval) or value.low is None or value.high is None:
        return None
    return _half(value.low, value.high)


def _half(low: Number, high: Number) -> Fraction:
    return (Fraction(low) + Fraction(high)) / 2
