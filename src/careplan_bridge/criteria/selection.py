"""Which entries a statement rests on: the latest visit, the first one, visits in a row.

An entry is sure where it certainly is one of those meant; only sure readings replace others. An entry in doubt (a qualifier that
the criterion names is not known, taken on the day of surgery) never counts alone, yet it widens what the value may be.
"""

from collections.abc import Iterable, Iterator, Sequence
from operator import attrgetter

from msgspec import Struct

from careplan_bridge.criteria.entry import Entry, certainly_after, replaces, same_kind
from careplan_bridge.criteria.matching import strictly
from careplan_bridge.criteria.record import Record
from careplan_bridge.criteria.truth import CANNOT_TELL, MET, NOT_MET, all_of
from careplan_bridge.model.check import Verdict
from careplan_bridge.model.criterion import Measured

_usable = attrgetter("usable")


class Candidate(Struct, frozen=True):
    entry: Entry
    sure: bool

    @property
    def counts(self) -> bool:
        """A reading that is certainly meant."""
        return self.sure and self.entry.usable


def candidates(wanted: Measured, record: Record, *, not_before: int | None = None) -> list[Candidate]:
    """Everything after surgery that is, or could be, what a criterion asks for."""
    return among(record.on_scale(wanted.measure), wanted, record, not_before=not_before)


def among(
    entries: Iterable[Entry], wanted: Measured, record: Record, *, not_before: int | None = None
) -> list[Candidate]:
    return [
        Candidate(entry, answer is MET)
        for entry in entries
        if (answer := _meant(entry, wanted, record, not_before)) is not NOT_MET
    ]


def latest(several: Sequence[Candidate]) -> list[Candidate]:
    """Those that no sure reading makes history."""
    if not several:
        return []
    newest = max((one.entry.first for one in several if one.counts), default=None)
    if newest is None:
        return list(several)
    left = [one for one in several if one.entry.last >= newest]
    return [one for one in left if not any(other.counts and replaces(other.entry, one.entry) for other in left)]


def first(several: Sequence[Candidate]) -> list[Candidate]:
    """Those of the first visit: no sure reading is certainly of an earlier day, and within the day the later moment counts."""
    oldest = min((one.entry.last for one in several if one.counts), default=None)
    left = [one for one in several if oldest is None or one.entry.first <= oldest]
    return [one for one in left if not any(other.counts and _later_that_day(other.entry, one.entry) for other in left)]


def visits(several: Sequence[Candidate]) -> Iterator[list[Candidate]]:
    """What counts of each visit, newest first. What may be of several days is a visit of its own, in doubt."""
    by_day: dict[int, list[Candidate]] = {}
    for one in several:
        by_day.setdefault(one.entry.last, []).append(one)
    yield from (latest(by_day[day]) for day in sorted(by_day, reverse=True))


def in_doubt(visit: Iterable[Candidate]) -> bool:
    """Is it unsure which visit an entry belongs to, or what it says?"""
    return any(one.entry.day is None or not one.counts for one in visit)


def alike(record: Record, wanted: Measured) -> Iterator[Entry]:
    """Readings that are, or could be, of the kind that is asked for, whenever they were taken."""
    facts, involved = record.facts(wanted.measure), record.plan.side
    for entry in same_measure(record, wanted):
        if strictly(wanted, entry.side, entry.qualifiers, involved=involved, measure=facts) is not NOT_MET:
            yield entry


def same_measure(record: Record, wanted: Measured) -> Iterator[Entry]:
    """Readings of the measure, whatever their side and qualifiers: what there is, where what is wanted is missing."""
    return filter(_usable, record.of(wanted.measure))


def _meant(entry: Entry, wanted: Measured, record: Record, not_before: int | None) -> Verdict:
    facts = record.facts(wanted.measure)
    matches = strictly(wanted, entry.side, entry.qualifiers, involved=record.plan.side, measure=facts)
    if matches is NOT_MET:
        return NOT_MET
    after = record.after_surgery(entry)
    return all_of((matches, after) if not_before is None else (matches, after, _not_before(entry, not_before)))


def _not_before(entry: Entry, day: int) -> Verdict:
    if entry.first >= day:
        return MET
    return NOT_MET if entry.last < day else CANNOT_TELL


def _later_that_day(x: Entry, y: Entry) -> bool:
    return x.first <= y.last and certainly_after(x, y) and same_kind(x, y) and x.day == y.day
