"""The value that counts now, or the reason why none can be told."""

from collections.abc import Callable, Iterable, Sequence

from msgspec import Struct

from careplan_bridge.criteria import words
from careplan_bridge.criteria.entry import Entry
from careplan_bridge.criteria.record import Record
from careplan_bridge.criteria.selection import Candidate, alike, candidates, latest, same_measure
from careplan_bridge.criteria.truth import MET, NOT_MET, all_of
from careplan_bridge.criteria.values import Possible, hull, possible
from careplan_bridge.model.check import Verdict
from careplan_bridge.model.criterion import Criterion, Measured


class Terms(Struct, frozen=True, kw_only=True):
    """What a criterion asks of every reading it rests on, and of which one of its parts this is."""

    id: str
    says: str
    no_older_than: int | None = None
    accepts: tuple[str, ...] = ()
    not_before: int | None = None

    @classmethod
    def of(cls, criterion: Criterion) -> "Terms":
        return cls(
            id=criterion.id, says=criterion.says, no_older_than=criterion.no_older_than, accepts=criterion.accepts
        )


class Known(Struct, frozen=True):
    """What the value may be, and the entries it comes from."""

    value: Possible
    entries: tuple[Entry, ...]


class Missing(Struct, frozen=True):
    """Why the value cannot be told: a code, a sentence, and what would settle it.

    The sentences are put into words only when somebody asks for them.
    """

    reason: str
    in_words: Callable[[], str]
    what_settles: Callable[[], str]
    entries: tuple[Entry, ...] = ()

    @property
    def says(self) -> str:
        return self.in_words()

    @property
    def settle(self) -> str:
        return self.what_settles()


def current(wanted: Measured, terms: Terms, record: Record) -> Known | Missing:
    """The value of the latest visit."""
    lacking = incomplete(wanted, record)
    if lacking is not None:
        return lacking
    return told(latest(candidates(wanted, record, not_before=terms.not_before)), wanted, terms, record)


def told(several: Sequence[Candidate], wanted: Measured, terms: Terms, record: Record) -> Known | Missing:
    """The value of these entries, if all of them can be used."""
    entries = tuple(one.entry for one in several)
    if not any(one.counts for one in several):
        return _nothing(several, wanted, record)
    return (
        _unreadable(entries, wanted, record)
        or _out_of_date(entries, wanted, terms, record)
        or weakened(entries, wanted, terms, record)
        or Known(hull(_values(entries, wanted, record), record.facts(wanted.measure)), entries)
    )


def incomplete(wanted: Measured, record: Record) -> Missing | None:
    if record.complete:
        return None
    return Missing(
        "incomplete",
        lambda: "not everything was retrieved, so a newer entry may be missing",
        lambda: f"a complete retrieval, for {_subject(wanted, record)}",
    )


def fresh(entry: Entry, terms: Terms, record: Record) -> Verdict:
    if terms.no_older_than is None:
        return MET
    oldest = record.day - terms.no_older_than
    if entry.first >= oldest:
        return MET
    return NOT_MET if entry.last < oldest else Verdict.CANNOT_TELL


def _values(entries: Iterable[Entry], wanted: Measured, record: Record) -> list[Possible]:
    facts = record.facts(wanted.measure)
    return [possible(entry.value, facts) for entry in entries if entry.value is not None]


def _nothing(several: Sequence[Candidate], wanted: Measured, record: Record) -> Missing:
    if several:
        return _doubtful([one.entry for one in several], wanted, record)
    if any(record.after_surgery(entry) is NOT_MET for entry in alike(record, wanted)):
        return Missing(
            "before-surgery",
            lambda: f"only measured before the surgery of {record.calendar.date(record.operated).isoformat()}",
            lambda: f"{_subject(wanted, record)}, measured after the surgery",
        )
    return _unlike(wanted, record)


def _doubtful(entries: Sequence[Entry], wanted: Measured, record: Record) -> Missing:
    unusable = next((entry.unusable for entry in entries if entry.unusable), None)
    if unusable is not None:
        return Missing(
            "unusable-entry",
            lambda: f"an entry could not be used: {unusable.says}",
            lambda: unusable.settle,
            tuple(entries),
        )
    last = entries[-1]
    return Missing(
        "in-doubt",
        lambda: f"{words.how(last)} {words.on([last], record.calendar)} may not be what is asked for",
        lambda: f"{_subject(wanted, record)}, with all of this known, after the day of surgery",
        tuple(entries),
    )


def _unlike(wanted: Measured, record: Record) -> Missing:
    others = list(same_measure(record, wanted))
    if not others:
        return Missing("no-reading", lambda: "no reading", lambda: f"{_subject(wanted, record)}, measured")
    newest = others[-1]
    return Missing(
        "no-matching-reading",
        lambda: f"no reading of this kind; what there is: {words.how(newest)} {words.on([newest], record.calendar)}",
        lambda: f"{_subject(wanted, record)}, measured",
        (newest,),
    )


def _unreadable(entries: Sequence[Entry], wanted: Measured, record: Record) -> Missing | None:
    unusable = next((entry.unusable for entry in entries if entry.unusable), None)
    if unusable is None:
        return None
    return Missing(
        "newer-unusable-entry",
        lambda: (
            f"an entry of {words.term(record.facts(wanted.measure))} that may be the one that counts could not be used: {unusable.says}"
        ),
        lambda: unusable.settle,
        tuple(entries),
    )


def _out_of_date(entries: Sequence[Entry], wanted: Measured, terms: Terms, record: Record) -> Missing | None:
    allowed, ages = terms.no_older_than, [fresh(entry, terms, record) for entry in entries]
    if allowed is None or all_of(ages) is MET:
        return None
    return Missing(
        "out-of-date" if set(ages) == {NOT_MET} else "age-uncertain",
        lambda: f"last measured {words.on(entries, record.calendar)}; no older than {words.days(allowed)} wanted",
        lambda: f"{_subject(wanted, record)}, measured again",
        tuple(entries),
    )


def weakened(entries: Sequence[Entry], wanted: Measured, terms: Terms, record: Record) -> Missing | None:
    """The first reading that was taken differently, where the criterion does not accept that."""
    found = [
        (entry, caveat)
        for entry in entries
        for caveat in entry.caveats
        if caveat.weakens and caveat.code not in terms.accepts
    ]
    if not found:
        return None
    entry, caveat = found[0]
    return Missing(
        "caveat",
        lambda: f"{words.how(entry)} {words.on([entry], record.calendar)} was measured differently: {caveat.says}",
        lambda: f"{_subject(wanted, record)}, measured without this; or the criterion accepts `{caveat.code}`",
        tuple(entries),
    )


def _subject(wanted: Measured, record: Record) -> str:
    return words.subject(wanted, record.facts(wanted.measure))
