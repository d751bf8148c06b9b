"""What published figures of measurement error say about a distance or a change: smaller, larger, or not told.

Several figures may apply, because the instrument or the raters are not known. A distance is within error only if it is within the
smallest of them, beyond only if it is beyond the largest. An important change (MCID, MIC) never counts as an error figure.
"""

from collections.abc import Iterable, Sequence
from decimal import Decimal
from typing import Literal

from careplan_bridge.criteria.entry import Entry
from careplan_bridge.criteria.interval import Interval, at_most, difference, magnitude
from careplan_bridge.criteria.truth import CANNOT_TELL, MET, NOT_MET, any_of
from careplan_bridge.criteria.values import Possible, wanted
from careplan_bridge.model.check import Verdict
from careplan_bridge.model.measure import ErrorFigure, Measure
from careplan_bridge.model.value import Bounds

Answer = Literal["yes", "no", "unknown"]

_OF_ERROR = frozenset({"MDC", "MDC95", "SEM", "LoA", "MSD", "error"})
_ANSWERS: dict[Verdict, Answer] = {MET: "yes", NOT_MET: "no", CANNOT_TELL: "unknown"}
SIDE_DIFFERENCE = "side difference"


def figures(measure: Measure, entries: Sequence[Entry], *, of: str | None = None) -> list[Decimal]:
    """The sizes of error that may apply to these readings, in the measure's unit."""
    return [
        figure.value
        for figure in measure.errors
        if figure.kind in _OF_ERROR and figure.unit == measure.unit and figure.of == of
        if all(_applies(figure, entry) for entry in entries) and _by_raters(figure, entries)
    ]


def near(value: Possible, bounds: Bounds, sizes: Sequence[Decimal]) -> Answer:
    """Does the value lie within measurement error of a bound?"""
    if not isinstance(value, Interval):
        return "unknown"
    limits = wanted(bounds)
    given = [limit for limit in (limits.low, limits.high) if limit is not None]
    distances = (magnitude(difference(value, Interval.exactly(limit))) for limit in given)
    return _ANSWERS[any_of(_within(distance, sizes) for distance in distances)]


def changed(earlier: Possible, later: Possible, sizes: Sequence[Decimal]) -> Verdict:
    """Do two values differ by more than measurement error?"""
    if not isinstance(earlier, Interval) or not isinstance(later, Interval):
        return CANNOT_TELL
    apart = _within(magnitude(difference(later, earlier)), sizes)
    return {MET: NOT_MET, NOT_MET: MET, CANNOT_TELL: CANNOT_TELL}[apart]


def _within(distance: Interval, sizes: Sequence[Decimal]) -> Verdict:
    if not sizes:
        return CANNOT_TELL
    if at_most(distance, min(sizes)) is MET:
        return MET
    return NOT_MET if at_most(distance, max(sizes)) is NOT_MET else CANNOT_TELL


def _applies(figure: ErrorFigure, entry: Entry) -> bool:
    """A figure of another movement or instrument says nothing; an instrument that was not recorded may be this one."""
    used = _circumstance(entry, "instrument")
    instrument = figure.instrument is None or used is None or used == figure.instrument
    return instrument and all(entry.qualifiers.get(name) == value for name, value in figure.where.items())


def _by_raters(figure: ErrorFigure, entries: Iterable[Entry]) -> bool:
    raters = [_circumstance(entry, "performer") for entry in entries]
    known = [rater for rater in raters if rater is not None]
    if figure.raters is None or len(raters) < 2 or len(known) < len(raters):  # noqa: PLR2004 - it takes two to compare
        return True
    return figure.raters == ("same" if len(set(known)) == 1 else "two")


def _circumstance(entry: Entry, name: str) -> str | None:
    return entry.reading.circumstances.get(name) if entry.reading else None
