"""The one place where this package reads the clock (I8)."""

from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

import click

# Where clocks go back over midnight this second comes twice, and where they go forward over it not at all; the offset
# after the change (fold) gives the last second of the day both times.
_LAST_SECOND = time(23, 59, 59, fold=1)


def now() -> datetime:
    """This moment in UTC, to the second: nothing here needs more, and documents stay readable."""
    return datetime.now(UTC).replace(microsecond=0)  # noqa: TID251 - the one clock


def moment(text: str | None, zone: str | None) -> datetime:
    """`--at` as a moment: an instant with its offset, or a day, which means its last second in the clinic's zone."""
    if text is None:
        return now()
    try:
        return _parse(text, zone).astimezone(UTC)
    except ValueError:
        message = f"{text!r} is neither a day (2026-03-20) nor a moment with its offset (2026-03-20T17:30:00+01:00)"
        raise click.BadParameter(message, param_hint="--at") from None


def _parse(text: str, zone: str | None) -> datetime:
    given = datetime.fromisoformat(text)
    if len(text) == len("2026-03-20"):
        return datetime.combine(given.date(), _LAST_SECOND, ZoneInfo(zone or "UTC"))
    if given.tzinfo is None:
        raise ValueError(text)
    return given
