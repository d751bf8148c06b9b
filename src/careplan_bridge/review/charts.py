"""A line of readings over time as a small drawing; the same values stand beside it as text."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any, NamedTuple

from markupsafe import Markup

_WIDTH, _HEIGHT, _EDGE = 180, 44, 6


class _Point(NamedTuple):
    day: int
    low: float
    high: float
    used: bool


def history(readings: Sequence[Mapping[str, Any]]) -> Markup:
    """SVG of numeric readings by day: a dot for a value, a bar for a range, filled where the verdict rests on it.

    Nothing is drawn for fewer than two days or for levels of a scale.
    """
    points = sorted(filter(None, map(_point, readings)))
    if len({point.day for point in points}) < 2:  # noqa: PLR2004 - a line needs two ends
        return Markup("")
    return _svg(points)


def _point(reading: Mapping[str, Any]) -> _Point | None:
    low, high, when = reading["low"], reading["high"], reading["day"]
    if when is None or reading["unit"] is None or low is None or high is None:
        return None
    return _Point(date.fromisoformat(when).toordinal(), float(low), float(high), bool(reading["used"]))


def _svg(points: Sequence[_Point]) -> Markup:
    days = [point.day for point in points]
    values = [value for point in points for value in (point.low, point.high)]

    def x(when: int) -> float:
        return _EDGE + (when - days[0]) * (_WIDTH - 2 * _EDGE) / (days[-1] - days[0])

    def y(value: float) -> float:
        spread = max(values) - min(values) or 1.0
        return _HEIGHT - _EDGE - (value - min(values)) * (_HEIGHT - 2 * _EDGE) / spread

    line = " ".join(f"{x(p.day):.1f},{y((p.low + p.high) / 2):.1f}" for p in points)
    marks = Markup("").join(_mark(x(p.day), y(p.low), y(p.high), used=p.used) for p in points)
    return Markup(
        '<svg class="history" viewBox="0 0 {} {}" role="img" aria-label="{} readings over time, listed beside">'
        '<polyline points="{}"/>{}</svg>'
    ).format(_WIDTH, _HEIGHT, len(points), line, marks)


def _mark(x: float, low: float, high: float, *, used: bool) -> Markup:
    shape = (
        Markup('<line x1="{0:.1f}" x2="{0:.1f}" y1="{1:.1f}" y2="{2:.1f}"/>').format(x, low, high)
        if low != high
        else ""
    )
    kind = "used" if used else "past"
    return Markup('{}<circle class="{}" cx="{:.1f}" cy="{:.1f}" r="3"/>').format(shape, kind, x, (low + high) / 2)
