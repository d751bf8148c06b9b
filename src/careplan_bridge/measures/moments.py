"""When something was measured: an interval in UTC, as wide as what was written leaves it.

A year, a month, a day or a minute stays one. Text without a zone is read in the site's zone; where none is declared it spans
every zone there is, from UTC+14 to UTC-12. A clock that was put back makes an hour come twice: both are kept.
"""

import re
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from functools import lru_cache
from typing import NamedTuple, cast
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from careplan_bridge.errors import WrongUse
from careplan_bridge.measures.loose import member, objects
from careplan_bridge.measures.refusal import Refused
from careplan_bridge.model.value import Moment

_WRITTEN = re.compile(
    r"(\d{4})(?:-(\d\d)(?:-(\d\d)(?:T(\d\d):(\d\d)(?::(\d\d)(?:\.(\d{1,9}))?)?(Z|[+-]\d\d:\d\d)?)?)?)?", re.ASCII
)
_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:[0-5]\d(?:\.\d{3}|\.\d{6})?(?:Z|[+-]\d\d:\d\d)", re.ASCII)
_TICK = timedelta(microseconds=1)
_LEAP_SECOND = 60
_MICROSECONDS = 6


class Zones(NamedTuple):
    """The zones that text without one may mean: the eastern one begins a day first."""

    first: tzinfo
    last: tzinfo


ANYWHERE = Zones(timezone(timedelta(hours=14)), timezone(-timedelta(hours=12)))


@lru_cache(maxsize=64)
def zones(name: str | None) -> Zones:
    """The site's zone, or all of them. Raises WrongUse if there is no zone of that name."""
    if name is None:
        return ANYWHERE
    try:
        zone = ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise WrongUse(f"{name!r} is no time zone; declare an IANA name such as Europe/Berlin") from None
    return Zones(zone, zone)


def written(said: str, site: Zones) -> Moment | None:
    """A FHIR date, dateTime or instant as an interval, both ends included; None if it is none."""
    try:
        if _INSTANT.fullmatch(said):
            at = datetime.fromisoformat(said).astimezone(UTC)
            return Moment(at, at)
        return _interval(said, site)
    except (ValueError, OverflowError):  # no such day, or one before the calendar begins
        return None


def effective(observation: object, site: Zones) -> Moment:
    """When the Observation was made. Raises Refused where that is missing, open or unreadable."""
    kinds = [kind for kind in _READERS if member(observation, kind) is not None]
    if not kinds:
        raise Refused("moment-missing")
    if len(kinds) > 1:
        raise Refused("moment-unreadable")
    return _READERS[kinds[0]](member(observation, kinds[0]), site)


def issue_fault(at: Moment, issued: str | None, site: Zones) -> tuple[Moment, Refused | None]:
    """Nothing can be measured after it was released: the moment as far as it is known then, and what is wrong, if it is.

    Only a certain contradiction counts. Which of the two is wrong nothing tells, so the moment may be either, or one between: an
    entry released today must not be taken for one that is yet to come because its moment says tomorrow.
    """
    release = written(issued, site) if issued else None
    if release is None or at.low <= release.high:
        return at, None
    return Moment(release.low, at.high), Refused("later-than-issue")


def _point(value: object, site: Zones) -> Moment:
    at = written(value, site) if isinstance(value, str) else None
    if at is None:
        raise Refused("moment-unreadable")
    return at


def _period(value: object, site: Zones) -> Moment:
    """From the start of the period to its end; a measurement that goes on has no moment yet."""
    start, end = member(value, "start"), member(value, "end")
    if start is None or end is None:
        raise Refused("moment-open" if start is not None or end is not None else "moment-unreadable")
    return _span(_point(start, site), _point(end, site))


def _timing(value: object, site: Zones) -> Moment:
    """The events of a Timing, or the bounds of its repetition; a frequency alone says no moment."""
    events = member(value, "event")
    if isinstance(events, list) and events:
        return _hull([_point(event, site) for event in cast("list[object]", events)])
    bounds = objects(member(member(value, "repeat"), "boundsPeriod"))
    if not bounds:
        raise Refused("moment-open")
    return _period(bounds[0], site)


_READERS = {
    "effectiveDateTime": _point,
    "effectiveInstant": _point,
    "effectivePeriod": _period,
    "effectiveTiming": _timing,
}


def _span(first: Moment, last: Moment) -> Moment:
    if first.low > last.high:
        raise Refused("moment-unreadable")
    return _hull([first, last])


def _hull(moments: list[Moment]) -> Moment:
    return Moment(min(moment.low for moment in moments), max(moment.high for moment in moments))


def _interval(said: str, site: Zones) -> Moment | None:
    found = _WRITTEN.fullmatch(said)
    if found is None:
        return None
    start, length = _local(found)
    here = _zones(found[8], site)
    low = start.replace(tzinfo=here.first).astimezone(UTC)
    high = _end(start, length).replace(tzinfo=here.last, fold=1).astimezone(UTC)
    return Moment(low, high.replace(fold=0))


def _zones(offset: str | None, site: Zones) -> Zones:
    if offset is None:
        return site
    zone = datetime.fromisoformat(f"2000-01-01T00:00:00{offset}").tzinfo or UTC
    return Zones(zone, zone)


def _local(found: re.Match[str]) -> tuple[datetime, str]:
    """The first instant that the text may mean, without a zone, and the length of what it names."""
    year, month, day, hour, minute, second, fraction = (found[place] for place in range(1, 8))
    names = ("year", "month", "day", "day", "minute", "second", "instant")
    given = [part for part in (year, month, day, hour, minute, second, fraction) if part is not None]
    leap = timedelta(seconds=1) if second == str(_LEAP_SECOND) else timedelta(0)
    start = datetime(  # noqa: DTZ001 - the zone is put on by the caller
        int(year),
        int(month or 1),
        int(day or 1),
        int(hour or 0),
        int(minute or 0),
        int(second or 0) - (1 if leap else 0),
        int((fraction or "").ljust(_MICROSECONDS, "0")[:_MICROSECONDS]),
    )
    return start + leap, names[len(given) - 1]


def _end(start: datetime, length: str) -> datetime:
    """The last instant; a whole second is a clock's reading, not a span."""
    match length:
        case "year":
            return start.replace(month=12, day=31, hour=23, minute=59, second=59, microsecond=999_999)
        case "month":
            return (start + timedelta(days=31)).replace(day=1) - _TICK
        case "day":
            return start + timedelta(days=1) - _TICK
        case "minute":
            return start + timedelta(minutes=1) - _TICK
        case _:
            return start
