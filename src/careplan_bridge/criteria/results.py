"""A verdict with what it rests on, in the form the page shows."""

from collections.abc import Iterable

from careplan_bridge.criteria import words
from careplan_bridge.criteria.current import Missing, Terms
from careplan_bridge.criteria.entry import Entry
from careplan_bridge.criteria.measurement_error import Answer
from careplan_bridge.criteria.record import Record
from careplan_bridge.criteria.selection import alike
from careplan_bridge.criteria.truth import CANNOT_TELL
from careplan_bridge.model.check import CriterionResult, UsedReading, Verdict
from careplan_bridge.model.criterion import Measured
from careplan_bridge.model.reading import Source

# Why an alternative counts as not done: nothing of its kind was measured, or not since the day that counts.
NOT_DONE = frozenset({"no-reading", "no-matching-reading", "before-surgery", "out-of-date", "only-the-baseline"})
_HISTORY = 24  # readings shown beside those that count; the record has them all


def decided(
    terms: Terms,
    verdict: Verdict,
    arithmetic: str,
    *,
    readings: tuple[UsedReading, ...] = (),
    near: Answer = "unknown",
    reason: str = "",
    settle: str = "",
) -> CriterionResult:
    """`reason` is the verdict itself unless something more telling is known."""
    return CriterionResult(
        id=terms.id,
        says=terms.says,
        verdict=verdict,
        reason=reason or ("value-uncertain" if verdict is CANNOT_TELL else verdict.value),
        arithmetic=arithmetic,
        readings=readings,
        within_measurement_error=near,
        settle=settle,
    )


def untold(terms: Terms, missing: Missing, wanted: Measured, record: Record, *, asked: str) -> CriterionResult:
    """Cannot be told, with the reason; what there is stands beside it as history."""
    sentence = f"{missing.says}; {asked}" if asked else missing.says
    return CriterionResult(
        id=terms.id,
        says=terms.says,
        verdict=CANNOT_TELL,
        reason=missing.reason,
        arithmetic=sentence,
        readings=shown((), (*_history(wanted, record), *missing.entries), record),
        settle=missing.settle,
    )


def resting_on(entries: Iterable[Entry], wanted: Measured, record: Record) -> tuple[UsedReading, ...]:
    """The readings a verdict rests on, and the earlier ones of the same kind."""
    return shown(tuple(entries), _history(wanted, record), record)


def shown(used: tuple[Entry, ...], others: Iterable[Entry], record: Record) -> tuple[UsedReading, ...]:
    """In the order of their moments, each once."""
    resting = {id(entry) for entry in used}
    several = {id(entry): entry for entry in (*others, *used) if entry.usable}
    ordered = sorted(several.values(), key=lambda entry: entry.order)
    return tuple(used_reading(entry, record, used=id(entry) in resting) for entry in ordered)


def together(parts: Iterable[CriterionResult]) -> tuple[UsedReading, ...]:
    """The readings of all parts, each once; one that any part rests on is used."""
    found: dict[tuple[Source, str], UsedReading] = {}
    for reading in (reading for part in parts for reading in part.readings):
        key = (reading.source, reading.measure)
        if key not in found or reading.used:
            found[key] = reading
    return tuple(sorted(found.values(), key=lambda one: (one.at.low, one.at.high, one.source.resource, one.measure)))


def used_reading(entry: Entry, record: Record, *, used: bool) -> UsedReading:
    reading = entry.reading
    assert reading is not None  # noqa: S101 - unusable entries are shown apart
    return UsedReading(
        source=reading.source,
        measure=reading.measure,
        side=reading.side,
        qualifiers=reading.qualifiers,
        value=reading.value,
        recorded=reading.recorded,
        at=reading.at,
        day=None if entry.day is None else record.calendar.date(entry.day),
        shown=words.value(reading.value),
        used=used,
        caveats=reading.caveats,
    )


def _history(wanted: Measured, record: Record) -> tuple[Entry, ...]:
    return tuple(alike(record, wanted))[-_HISTORY:]
