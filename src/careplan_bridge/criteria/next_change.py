"""When time alone would next change a check: the moments at which it could are few, and at each of them it is made again."""

from collections.abc import Iterator
from datetime import datetime

from careplan_bridge.criteria.record import Evidence, Record, concerns
from careplan_bridge.criteria.statements import evidence_of
from careplan_bridge.criteria.survey import Survey, survey
from careplan_bridge.model.conditions import simple
from careplan_bridge.model.criterion import Criterion, TimeSince
from careplan_bridge.model.measure import FINDING
from careplan_bridge.model.protocol import Stage

_HORIZON = 36_525  # days; a period that was recorded without an end may last until the year 9999


def next_change(evidence: Evidence, record: Record, now: Survey) -> datetime | None:
    """The first moment after `record.at` at which the survey differs from now; None if it never will by itself."""
    for moment in sorted(_moments(evidence, record)):
        if survey(evidence.until(moment, complete=record.complete)) != now:
            return moment
    return None


def _moments(evidence: Evidence, record: Record) -> set[datetime]:
    """Entries come into view at their own moment; everything else changes where a day of the clinic begins."""
    coming = {entry.at.low for several in (*evidence.entries.values(), evidence.void) for entry in several}
    days = {record.calendar.begins(day) for day in set(_days(record)) if record.day < day <= record.day + _HORIZON}
    events = {event.at for event in record.plan.course.events}
    return {moment for moment in coming | days | events if moment > record.at}


def _days(record: Record) -> Iterator[int]:
    plan = record.plan
    yield from (record.day_of(surgery) for surgery in plan.surgeries if concerns(surgery, plan.side))
    for stage in plan.stages:
        yield from filter(None, _of_stage(stage))
    for criterion in plan.current.criteria:
        yield from _of_criterion(criterion, record)
    yield from _of_red_flags(record)


def _of_stage(stage: Stage) -> Iterator[int | None]:
    yield from (stage.window.from_day, stage.window.earliest_advance)
    for restriction in stage.restrictions:
        yield from (restriction.from_day, restriction.before_day)
        for held in restriction.before_orders:
            yield from (held.until, held.from_day, held.before_day)
    yield from (precaution.before_day for precaution in stage.precautions)


def _of_red_flags(record: Record) -> Iterator[int]:
    """A reading whose moment is still running is as new as today: on the next day an answer or a response is older than it."""
    asked = {flag.id for flag in record.plan.red_flags}
    yield from (entry.first + 1 for entry in record.of(FINDING) if entry.dated and entry.finding in asked)
    yield from (record.calendar.day(event.at) + 1 for event in record.plan.course.responses)


def _of_criterion(criterion: Criterion, record: Record) -> Iterator[int]:
    if criterion.expected_by is not None:
        yield criterion.expected_by + 1
    if criterion.call_surgeon_by is not None:
        yield criterion.call_surgeon_by
    surgeries = {surgery.id: record.day_of(surgery) for surgery in record.plan.surgeries}
    for part in simple(criterion.condition):
        if isinstance(part, TimeSince):
            yield surgeries.get(part.surgery or record.plan.surgery, 0) + part.at_least
    if criterion.no_older_than is not None:
        yield from _ages(criterion, criterion.no_older_than, record)


def _ages(criterion: Criterion, allowed: int, record: Record) -> Iterator[int]:
    """The days on which an entry, by the first or the last day it may be of, becomes too old."""
    for measure in set(evidence_of(criterion.condition, record.plan.facts)):
        for entry in record.of(measure):
            if entry.dated:
                yield from (entry.first + allowed + 1, entry.last + allowed + 1)
