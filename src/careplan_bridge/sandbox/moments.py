"""FHIR dates and times as intervals of microseconds since 1970 UTC; a moment without a zone is UTC here."""

import re
from dataclasses import dataclass
from datetime import MAXYEAR, UTC, datetime, timedelta, timezone

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
_SHAPE = re.compile(
    r"(?P<year>\d{4})(-(?P<month>\d\d)(-(?P<day>\d\d)(T(?P<hour>\d\d):(?P<minute>\d\d)"
    r"(:(?P<second>\d\d)(\.(?P<fraction>\d+))?)?(?P<zone>Z|[+-]\d\d:\d\d)?)?)?)?"
)
_FINEST_FIRST = ("fraction", "second", "minute", "day", "month", "year")
BEGINNING = -(2**62)
END = 2**62


@dataclass(frozen=True, slots=True)
class Span:
    """From low to high, both included."""

    low: int
    high: int


def span(text: str) -> Span:
    """The interval that the text may mean at its own precision. Raises ValueError."""
    shape = _SHAPE.fullmatch(text)
    if shape is None:
        raise ValueError(text)
    start = _start(shape)
    return Span(microseconds(start), _last(start, shape))


def microseconds(moment: datetime) -> int:
    return (moment - _EPOCH) // _MICROSECOND


def instant(micro: int) -> str:
    """The instant with milliseconds, as lastUpdated shows it."""
    return (_EPOCH + micro * _MICROSECOND).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def http_date(micro: int) -> str:
    return (_EPOCH + micro * _MICROSECOND).strftime("%a, %d %b %Y %H:%M:%S GMT")


def _start(shape: re.Match[str]) -> datetime:
    year, month, day, hour, minute = (int(shape[part] or least) for part, least in _PARTS)
    second = int(shape["second"] or 0)
    leap = second == 60  # noqa: PLR2004 - a leap second, which R4 allows and Python does not
    fraction = int((shape["fraction"] or "0")[:6].ljust(6, "0"))
    start = datetime(year, month, day, hour, minute, 59 if leap else second, fraction, _zone(shape["zone"]))
    return start + timedelta(seconds=leap)


_PARTS = (("year", 1), ("month", 1), ("day", 1), ("hour", 0), ("minute", 0))


def _zone(text: str | None) -> timezone:
    if text is None or text == "Z":
        return UTC
    hours, minutes = int(text[1:3]), int(text[4:])
    return timezone(timedelta(hours=hours, minutes=minutes) * (-1 if text[0] == "-" else 1))


def _last(start: datetime, shape: re.Match[str]) -> int:
    precision = next(part for part in _FINEST_FIRST if shape[part])
    return microseconds(start) + _length(start, precision, shape) - 1


def _length(start: datetime, precision: str, shape: re.Match[str]) -> int:
    if precision == "fraction":
        return 10 ** max(0, 6 - len(shape["fraction"]))
    if precision in _FIXED:
        return _FIXED[precision]
    months = 1 if precision == "month" else 12
    year, month = divmod(start.year * 12 + start.month - 1 + months, 12)
    if year > MAXYEAR:
        return END - microseconds(start)
    return microseconds(datetime(year, month + 1, 1, tzinfo=UTC)) - microseconds(start)


_FIXED = {"second": 10**6, "minute": 60 * 10**6, "day": 86400 * 10**6}
