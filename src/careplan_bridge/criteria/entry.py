"""An entry of the record as criteria see it: a reading or an unusable entry, with the clinic's days it may be of."""

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime

from msgspec import Struct
from msgspec.structs import replace

from careplan_bridge.criteria.calendar import Calendar
from careplan_bridge.model.measure import FINDING
from careplan_bridge.model.reading import Caveat, Reading, Source, Unusable
from careplan_bridge.model.value import Amount, Moment, Value

# An entry without a moment may be of any day.
_ANY_TIME = Moment(datetime(1, 1, 3, tzinfo=UTC), datetime(9999, 12, 29, tzinfo=UTC))


class Entry(Struct, frozen=True, kw_only=True):
    """`first` and `last` are the days after surgery it may be of; `value` is None where it is not known.

    Exactly one of `reading` and `unusable` is given.
    """

    source: Source
    measure: str
    side: str | None
    qualifiers: Mapping[str, str]
    value: Value | None
    at: Moment
    first: int
    last: int
    caveats: tuple[Caveat, ...] = ()
    reading: Reading | None = None
    unusable: Unusable | None = None

    @property
    def usable(self) -> bool:
        return self.reading is not None

    @property
    def dated(self) -> bool:
        """Is anything known of when it was made?"""
        return self.at is not _ANY_TIME

    @property
    def day(self) -> int | None:
        """The visit it belongs to; None where it may be of several days."""
        return self.first if self.first == self.last else None

    @property
    def finding(self) -> str | None:
        return self.qualifiers.get("finding") if self.measure == FINDING else None

    @property
    def order(self) -> tuple[object, ...]:
        """A place that depends on nothing but the entry itself."""
        source = self.source
        named = (source.resource, source.version or "", source.digest, source.part or "", self.measure, self.side or "")
        return (self.at.low, self.at.high, *named, tuple(sorted(self.qualifiers.items())), str(self.value))


def of_reading(reading: Reading, calendar: Calendar) -> Entry:
    at = reading.at
    first = calendar.day(at.low)
    return Entry(
        source=reading.source,
        measure=reading.measure,
        side=reading.side,
        qualifiers=reading.qualifiers,
        value=reading.value,
        at=at,
        first=first,
        last=first if at.high is at.low else calendar.day(at.high),
        caveats=reading.caveats,
        reading=reading,
    )


def of_unusable(unusable: Unusable, calendar: Calendar) -> Entry:
    """The hint says what is known of it; its measure must be."""
    hint = unusable.hint
    at = hint.at or _ANY_TIME
    return Entry(
        source=unusable.source,
        measure=hint.measure or "",
        side=hint.side,
        qualifiers=hint.qualifiers,
        value=hint.value,
        at=at,
        first=calendar.day(at.low),
        last=calendar.day(at.high),
        unusable=unusable,
    )


def past_neutral(entry: Entry) -> Iterator[Entry]:
    """The entry with its value on the other measure's scale, if it certainly lies past neutral.

    A zero says nothing about the other measure: who has no hyperextension may still have a deficit.
    """
    value = entry.value
    if (
        isinstance(value, Amount)
        and value.low is not None
        and (value.low > 0 or (value.low == 0 and not value.low_included))
    ):
        yield replace(entry, value=_mirrored(value))


def _mirrored(value: Amount) -> Amount:
    low, high = (None if end is None else end.copy_negate() for end in (value.high, value.low))
    return Amount(low, high, value.unit, value.high_included, value.low_included)


def same_kind(x: Entry, y: Entry) -> bool:
    """Nothing but their moment tells them apart, so the later one replaces the earlier one."""
    return x.measure == y.measure and x.qualifiers == y.qualifiers


def certainly_after(x: Entry, y: Entry) -> bool:
    return x.at.low > y.at.high


def replaces(x: Entry, y: Entry) -> bool:
    """Is `y` history because of `x`: a later visit, or a later moment of the same kind?"""
    return x.first > y.last or (certainly_after(x, y) and same_kind(x, y))
