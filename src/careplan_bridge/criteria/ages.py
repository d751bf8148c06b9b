"""How old the newest readings are that the criteria can rest on, and from which day on each is too old."""

from collections.abc import Iterator

from careplan_bridge.criteria import words
from careplan_bridge.criteria.entry import Entry
from careplan_bridge.criteria.findings import about
from careplan_bridge.criteria.record import Record
from careplan_bridge.criteria.selection import candidates, latest
from careplan_bridge.criteria.statements import measured
from careplan_bridge.model.conditions import simple
from careplan_bridge.model.criterion import Condition, Criterion, FindingIs, Measured
from careplan_bridge.model.next_visit import Age


def ages(record: Record) -> tuple[Age, ...]:
    """By the day on which they are out of date; what has no age, or was never measured, is not among them."""
    found = [age for criterion in record.plan.current.criteria for age in _of_criterion(criterion, record)]
    return tuple(sorted(found, key=lambda age: age.out_of_date_on))


def _of_criterion(criterion: Criterion, record: Record) -> Iterator[Age]:
    if criterion.no_older_than is None:
        return
    several = {what: asked for asked, what in _asked(criterion.condition, record)}
    for what, asked in several.items():
        newest = [one.entry for one in latest(candidates(asked, record)) if one.counts]
        if newest:
            yield _age(criterion, criterion.no_older_than, what, newest, record)


def _age(criterion: Criterion, allowed: int, what: str, newest: list[Entry], record: Record) -> Age:
    """Of readings that may be of several days, the earliest one: by then the value may be too old."""
    oldest = min(newest, key=lambda entry: entry.first)
    out = oldest.first + allowed + 1
    return Age(
        criterion=criterion.id,
        title=criterion.says,
        what=what,
        measured=record.calendar.date(oldest.first),
        shown=words.value(oldest.value) if oldest.value else "",
        out_of_date_on=record.calendar.date(out),
        out_of_date=record.day >= out,
    )


def _asked(condition: Condition, record: Record) -> Iterator[tuple[Measured, str]]:
    """Everything whose readings decide, with the words for it."""
    for part in simple(condition):
        if isinstance(part, FindingIs):
            yield about(part.finding), part.text
        yield from ((one, _words(one, record)) for one in measured(part))


def _words(asked: Measured, record: Record) -> str:
    return words.capital(words.subject(asked, record.facts(asked.measure)))
