"""Criteria about change: the latest value against the first one after surgery, or against the best one before it."""

from collections.abc import Iterable, Sequence

from msgspec import Struct

from careplan_bridge.criteria import words
from careplan_bridge.criteria.comparisons import as_interval, compared_words, exact_values
from careplan_bridge.criteria.current import Known, Missing, Terms, current, told, weakened
from careplan_bridge.criteria.entry import Entry
from careplan_bridge.criteria.interval import Interval, difference, highest, hull, inside, negative
from careplan_bridge.criteria.measurement_error import figures, near
from careplan_bridge.criteria.record import Record
from careplan_bridge.criteria.results import decided, resting_on, untold
from careplan_bridge.criteria.selection import Candidate, candidates, first, in_doubt, visits
from careplan_bridge.criteria.truth import CANNOT_TELL
from careplan_bridge.criteria.values import possible, wanted
from careplan_bridge.model.check import CriterionResult, Verdict
from careplan_bridge.model.criterion import Change, Measured

Pair = tuple[Known, Known]  # the earlier value, the latest one


def verdict_of_change(condition: Change, terms: Terms, record: Record) -> Verdict | Missing:
    """The verdict alone, or what is missing for it, without words and readings."""
    pair = _since(condition, terms, record)
    return pair if isinstance(pair, Missing) else inside(_apart(pair), wanted(condition.bounds))


def judge_change(condition: Change, terms: Terms, record: Record) -> CriterionResult:
    asked = condition.measured
    pair = _since(condition, terms, record)
    unit = record.facts(asked.measure).unit or ""
    wish = f"a change of {words.bounds(condition.bounds, unit)} since {_SINCE[condition.since]} wanted"
    if isinstance(pair, Missing):
        return untold(terms, pair, asked, record, asked=wish)
    earlier, latest = pair
    apart = _apart(pair)
    verdict = inside(apart, wanted(condition.bounds))
    entries = (*earlier.entries, *latest.entries)
    before = f"{_NAMED[condition.since]} {_said(earlier, asked, record)}"
    return decided(
        terms,
        verdict,
        f"{_said(latest, asked, record)}, {before}: {compared_words(apart, condition.bounds, unit, wish)}",
        readings=resting_on(entries, asked, record),
        near=near(apart, condition.bounds, figures(record.facts(asked.measure), entries)),
        settle=exact_values(asked, record) if verdict is CANNOT_TELL else "",
    )


_SINCE = {"baseline": "the first visit after surgery", "best": "the best visit before the latest one"}
_NAMED = {"baseline": "first", "best": "best before"}


def _apart(pair: Pair) -> Interval:
    earlier, latest = pair
    return difference(as_interval(latest), as_interval(earlier))


def _since(condition: Change, terms: Terms, record: Record) -> Pair | Missing:
    latest = current(condition.measured, terms, record)
    if isinstance(latest, Missing):
        return latest
    earlier = (
        _baseline(condition.measured, latest, terms, record)
        if condition.since == "baseline"
        else _best(condition, latest, terms, record)
    )
    return earlier if isinstance(earlier, Missing) else (earlier, latest)


def _baseline(asked: Measured, latest: Known, terms: Terms, record: Record) -> Known | Missing:
    baseline = told(first(candidates(asked, record)), asked, _undated(terms), record)
    if isinstance(baseline, Missing):
        return Missing(
            f"baseline-{baseline.reason.removeprefix('newer-')}",
            lambda: f"the first visit: {baseline.says}",
            lambda: baseline.settle,
            baseline.entries,
        )
    return _only_once(asked, latest, record) if _shared(baseline.entries, latest.entries) else baseline


class _Visit(Struct, frozen=True):
    """What one earlier visit showed, or may have shown: unless `sure`, it may turn out not to count."""

    value: Interval
    entries: tuple[Entry, ...]
    sure: bool


def _best(condition: Change, latest: Known, terms: Terms, record: Record) -> Known | Missing:
    """The best of the visits before the latest one. What is in doubt may have been better, never certainly was."""
    asked = condition.measured
    several = candidates(asked, record)
    days = {entry.day for entry in latest.entries}
    loose = [one.entry for one in several if one.entry.day is None]
    if loose or len(days) > 1:
        return _undecided(asked, loose or latest.entries, record)
    earlier = [visit for visit in visits(several) if visit[0].entry.last < max(day or 0 for day in days)]
    seen = [_seen(visit, asked, terms, record, turned=condition.best == "lowest") for visit in earlier]
    if not seen:
        return _only_once(asked, latest, record)
    if not any(visit.sure for visit in seen):
        return _undecided(asked, [entry for visit in seen for entry in visit.entries], record)
    best = highest([visit.value for visit in seen if visit.sure], [visit.value for visit in seen])
    rested_on = tuple(entry for visit in seen if _may_be(visit.value, best) for entry in visit.entries)
    return Known(negative(best) if condition.best == "lowest" else best, rested_on)


def _seen(visit: Sequence[Candidate], asked: Measured, terms: Terms, record: Record, *, turned: bool) -> _Visit:
    """`turned`: where the lowest value is the best one, it is the highest of the values with their signs turned over."""
    entries = tuple(one.entry for one in visit)
    readable = all(entry.usable for entry in entries) and weakened(entries, asked, _undated(terms), record) is None
    value = _hull(entries, asked, record) if readable else Interval(None, None)
    return _Visit(negative(value) if turned else value, entries, readable and not in_doubt(visit))


def _hull(entries: Iterable[Entry], asked: Measured, record: Record) -> Interval:
    facts = record.facts(asked.measure)
    values = [possible(entry.value, facts) for entry in entries if entry.value is not None]
    numbers = [value for value in values if isinstance(value, Interval)]
    return hull(numbers) if numbers else Interval(None, None)


def _may_be(value: Interval, best: Interval) -> bool:
    return value.high is None or best.low is None or value.high >= best.low


def _undecided(asked: Measured, entries: Sequence[Entry], record: Record) -> Missing:
    return Missing(
        "best-in-doubt",
        lambda: (
            f"which visit was the best one cannot be told: an entry {words.on(entries, record.calendar)} may or may not count"
        ),
        lambda: f"the day and every detail of it, for {words.subject(asked, record.facts(asked.measure))}",
        tuple(entries),
    )


def _only_once(asked: Measured, latest: Known, record: Record) -> Missing:
    return Missing(
        "only-the-baseline",
        lambda: f"measured only once after surgery, {words.on(latest.entries, record.calendar)}",
        lambda: f"{words.subject(asked, record.facts(asked.measure))}, measured again at a later visit",
        latest.entries,
    )


def _undated(terms: Terms) -> Terms:
    """Only the latest value has to be recent."""
    return Terms(id=terms.id, says=terms.says, accepts=terms.accepts)


def _shared(some: Sequence[Entry], others: Sequence[Entry]) -> bool:
    return bool({id(entry) for entry in some} & {id(entry) for entry in others})


def _said(known: Known, asked: Measured, record: Record) -> str:
    return f"{words.possible(known.value, record.facts(asked.measure))} {words.on(known.entries, record.calendar)}"
