"""Criteria about one limb: the latest value within bounds, on one visit or on several in a row."""

from collections.abc import Sequence
from itertools import islice

from msgspec import Struct

from careplan_bridge.criteria import words
from careplan_bridge.criteria.current import Known, Missing, Terms, current, fresh, incomplete, told
from careplan_bridge.criteria.measurement_error import Answer, figures, near
from careplan_bridge.criteria.record import Record
from careplan_bridge.criteria.results import decided, resting_on, untold
from careplan_bridge.criteria.selection import Candidate, candidates, visits
from careplan_bridge.criteria.truth import CANNOT_TELL, MET, NOT_MET, all_of
from careplan_bridge.criteria.values import within
from careplan_bridge.model.check import CriterionResult, Verdict
from careplan_bridge.model.criterion import WithinBounds


def judge(condition: WithinBounds, terms: Terms, record: Record) -> CriterionResult:
    return (_once if condition.visits_in_a_row == 1 else _in_a_row)(condition, terms, record)


def verdict(condition: WithinBounds, terms: Terms, record: Record) -> Verdict | Missing:
    """The verdict alone, or what is missing for it, without words and readings."""
    if condition.visits_in_a_row == 1:
        found = current(condition.measured, terms, record)
        return found if isinstance(found, Missing) else _within(condition, found, record)
    row = _last_visits(condition, terms, record)
    return row if isinstance(row, Missing) else _row_verdict(row, condition)


def _once(condition: WithinBounds, terms: Terms, record: Record) -> CriterionResult:
    found = current(condition.measured, terms, record)
    if isinstance(found, Missing):
        return untold(terms, found, condition.measured, record, asked=_asked(condition, record))
    verdict = _within(condition, found, record)
    return decided(
        terms,
        verdict,
        _sum(condition, found, record),
        readings=resting_on(found.entries, condition.measured, record),
        near=_near(condition, found, record),
        settle=_narrower(condition, record) if verdict is CANNOT_TELL else "",
    )


class _Visit(Struct, frozen=True):
    verdict: Verdict
    found: Known | Missing


def _in_a_row(condition: WithinBounds, terms: Terms, record: Record) -> CriterionResult:
    row = _last_visits(condition, terms, record)
    if isinstance(row, Missing):
        return untold(terms, row, condition.measured, record, asked=_asked(condition, record))
    return _row(row, condition, terms, record)


def _last_visits(condition: WithinBounds, terms: Terms, record: Record) -> list[_Visit] | Missing:
    """Each of the last n visits with an entry. A day without one neither counts nor breaks the row."""
    wanted, count = condition.measured, condition.visits_in_a_row
    several = candidates(wanted, record, not_before=terms.not_before)
    missing = incomplete(wanted, record)
    if missing is None and not any(one.counts for one in several):
        missing = _as_missing(told(several, wanted, terms, record))
    if missing is None:
        missing = _uncertain_row(several, condition, terms, record)
    if missing is not None:
        return missing
    return [_visit(visit, condition, terms, record) for visit in islice(visits(several), count)]


def _row_verdict(row: Sequence[_Visit], condition: WithinBounds) -> Verdict:
    if len(row) < condition.visits_in_a_row:
        return NOT_MET  # it is known how many visits there were
    return all_of(visit.verdict for visit in row)


def _row(row: Sequence[_Visit], condition: WithinBounds, terms: Terms, record: Record) -> CriterionResult:
    verdict, short = _row_verdict(row, condition), len(row) < condition.visits_in_a_row
    unclear = next((visit.found for visit in row if isinstance(visit.found, Missing)), None)
    entries = tuple(entry for visit in row if isinstance(visit.found, Known) for entry in visit.found.entries)
    return decided(
        terms,
        verdict,
        _row_words(row, condition, record),
        readings=resting_on(entries, condition.measured, record),
        near=_row_near(row, condition, record),
        reason="too-few-visits" if short else unclear.reason if unclear and verdict is CANNOT_TELL else "",
        settle=_row_settle(unclear, condition, record) if verdict is CANNOT_TELL else "",
    )


def _uncertain_row(
    several: Sequence[Candidate], condition: WithinBounds, terms: Terms, record: Record
) -> Missing | None:
    """Not even which visits make the row can be told where an entry may be of several days, or the newest visit is too old."""
    dated = list(visits([one for one in several if one.entry.day is not None]))
    row = dated[: condition.visits_in_a_row]
    # A row that is not full reaches back to the surgery.
    oldest = row[-1][0].entry.first if len(row) == condition.visits_in_a_row else record.operated
    loose = [one.entry for one in several if one.entry.day is None and one.entry.last >= oldest]
    if loose:
        return Missing(
            "moment-uncertain",
            lambda: f"an entry {words.on(loose[:1], record.calendar)} may belong to any of several visits",
            lambda: "the day it was measured on",
            tuple(loose),
        )
    newest = _newest_sure(dated)
    if all(fresh(one.entry, terms, record) is MET for one in newest):
        return None
    return _as_missing(told(newest, condition.measured, terms, record))


def _newest_sure(dated: Sequence[Sequence[Candidate]]) -> list[Candidate]:
    """What counts for certain of the newest visit that has such a reading."""
    sure = ([one for one in visit if one.counts] for visit in dated)
    return next(filter(None, sure), list[Candidate]())


def _visit(visit: Sequence[Candidate], condition: WithinBounds, terms: Terms, record: Record) -> _Visit:
    # Only the newest visit has to be recent; the row may reach further back.
    undated = Terms(id=terms.id, says=terms.says, accepts=terms.accepts)
    found = told(visit, condition.measured, undated, record)
    return _Visit(CANNOT_TELL if isinstance(found, Missing) else _within(condition, found, record), found)


def _as_missing(found: Known | Missing) -> Missing | None:
    return found if isinstance(found, Missing) else None


def _within(condition: WithinBounds, found: Known, record: Record) -> Verdict:
    return within(found.value, condition.bounds, record.facts(condition.measured.measure))


def _near(condition: WithinBounds, found: Known, record: Record) -> Answer:
    return near(found.value, condition.bounds, figures(record.facts(condition.measured.measure), found.entries))


def _row_near(row: Sequence[_Visit], condition: WithinBounds, record: Record) -> Answer:
    answers = {_near(condition, visit.found, record) for visit in row if isinstance(visit.found, Known)}
    return "yes" if "yes" in answers else "no" if answers == {"no"} else "unknown"


def _sum(condition: WithinBounds, found: Known, record: Record) -> str:
    """`112 deg on 2026-03-20; at least 110 deg wanted: 2 deg above`."""
    measure = record.facts(condition.measured.measure)
    said = f"{words.possible(found.value, measure)} {words.on(found.entries, record.calendar)}"
    apart = words.margin(found.value, condition.bounds, measure.unit or "")
    return f"{said}; {_asked(condition, record)}" + (f": {apart}" if apart else "")


def _asked(condition: WithinBounds, record: Record) -> str:
    unit = record.facts(condition.measured.measure).unit or ""
    row = f" on {condition.visits_in_a_row} visits in a row" if condition.visits_in_a_row > 1 else ""
    return f"{words.bounds(condition.bounds, unit)} wanted{row}"


def _row_words(row: Sequence[_Visit], condition: WithinBounds, record: Record) -> str:
    """The visits oldest first, then what was asked for."""
    measure = record.facts(condition.measured.measure)
    said = [
        f"{words.possible(visit.found.value, measure)} {words.on(visit.found.entries, record.calendar)}"
        if isinstance(visit.found, Known)
        else visit.found.says
        for visit in reversed(row)
    ]
    held = next((place for place, visit in enumerate(row) if visit.verdict is not MET), len(row))
    return f"{', '.join(said)}; {_asked(condition, record)}: {held} so far"


def _row_settle(unclear: Missing | None, condition: WithinBounds, record: Record) -> str:
    return unclear.settle if unclear else _narrower(condition, record)


def _narrower(condition: WithinBounds, record: Record) -> str:
    subject = words.subject(condition.measured, record.facts(condition.measured.measure))
    return f"one value for {subject}, measured again"
