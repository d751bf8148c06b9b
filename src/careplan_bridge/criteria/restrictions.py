"""Restrictions: what was measured beyond one stays beyond it until a named clinician has responded.

Every reading is judged against the restriction that was in force when it was taken. A lower value later, or the end of the
restriction, clears nothing.
"""

from collections.abc import Iterator, Sequence
from datetime import datetime
from itertools import pairwise

from msgspec import Struct
from msgspec.structs import replace

from careplan_bridge.criteria.entry import Entry
from careplan_bridge.criteria.matching import loosely
from careplan_bridge.criteria.record import Record
from careplan_bridge.criteria.responses import Responses
from careplan_bridge.criteria.results import shown
from careplan_bridge.criteria.truth import CANNOT_TELL, MET, NOT_MET, all_of, opposite, unanimous
from careplan_bridge.criteria.values import Possible, possible, within
from careplan_bridge.model.check import RestrictionResult, Verdict
from careplan_bridge.model.course import StageEntered
from careplan_bridge.model.criterion import Restriction
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.protocol import Stage
from careplan_bridge.model.value import Amount, Value

EXCEEDED, POSSIBLY, RESPONDED = "exceeded", "possibly-exceeded", "responded"
KEPT, UNTOLD, NO_READING = "kept", "cannot-tell", "no-reading"
OPEN = (EXCEEDED, POSSIBLY)
_URGENCY = (EXCEEDED, POSSIBLY, RESPONDED, UNTOLD, KEPT, NO_READING)


class _Force(Struct, frozen=True):
    """When a restriction is in force: from an instant on, until another one (excluded) or for good."""

    begins: datetime
    ends: datetime | None

    def at(self, moment: datetime) -> bool:
        return self.begins <= moment and (self.ends is None or moment < self.ends)

    def during(self, entry: Entry) -> Verdict:
        """Was it in force when this was measured?"""
        if entry.at.high < self.begins or (self.ends is not None and entry.at.low >= self.ends):
            return NOT_MET
        return MET if self.at(entry.at.low) and self.at(entry.at.high) else CANNOT_TELL


def judge(record: Record, responses: Responses) -> tuple[RestrictionResult, ...]:
    """What waits for a response first. Restrictions of other stages are named while they hold or something is open."""
    current = record.plan.current
    results = [
        (result, stage is current)
        for stage in record.plan.stages
        for restriction in stage.restrictions
        for result in [_judge(restriction, stage, record, responses)]
    ]
    named = [result for result, own in results if own or result.in_force or result.state in (*OPEN, RESPONDED)]
    return tuple(sorted(named, key=lambda result: _URGENCY.index(result.state)))


def _judge(restriction: Restriction, stage: Stage, record: Record, responses: Responses) -> RestrictionResult:
    versions = [(one, _force(one.asks, stage, record)) for one in _versions(restriction)]
    judged = [(entry, _beyond(entry, value, versions, record)) for entry, value in _about(restriction, record)]
    state, entries, response = _state(restriction, judged, responses, complete=record.complete)
    calendar = record.calendar
    return RestrictionResult(
        id=restriction.id,
        says=restriction.says,
        state=state,
        in_force=_in_force(restriction, stage, record),
        from_date=calendar.date(_first_day(restriction, stage, record)),
        before_date=None if restriction.before_day is None else calendar.date(restriction.before_day),
        readings=shown(tuple(entries), (), record),
        unusable=tuple(entry.unusable for entry in entries if entry.unusable),
        response=response,
    )


def _state(
    restriction: Restriction, judged: Sequence[tuple[Entry, Verdict]], responses: Responses, *, complete: bool
) -> tuple[str, list[Entry], str]:
    """The state, the entries it rests on, and the response that dealt with them."""
    beyond = [(entry, verdict) for entry, verdict in judged if verdict is not NOT_MET]
    waiting = [
        (entry, verdict) for entry, verdict in beyond if not responses.cover_excess(restriction.id, entry.source)
    ]
    if waiting:
        state = EXCEEDED if any(verdict is MET for _, verdict in waiting) else POSSIBLY
        return state, [entry for entry, _ in waiting], ""
    if beyond:
        entries = [entry for entry, _ in beyond]
        return RESPONDED, entries, responses.words(restriction.id, [entry.source for entry in entries])
    usable = [entry for entry, _ in judged if entry.usable]
    if not complete:  # what is missing may have been beyond
        return UNTOLD, usable[-1:], ""
    return (KEPT if usable else NO_READING), usable[-1:], ""


def _about(restriction: Restriction, record: Record) -> Iterator[tuple[Entry, Possible]]:
    """Entries since the day of surgery, usable or not, that may be of the restricted limb and whose value is known."""
    wanted, involved = restriction.measured, record.plan.side
    facts = record.facts(wanted.measure)
    for entry, value in _with_values(wanted.measure, record):
        meant = loosely(wanted, entry.side, entry.qualifiers, involved=involved, measure=facts)
        if entry.last >= 0 and meant is not NOT_MET:
            yield entry, value


def _with_values(measure: str, record: Record) -> Iterator[tuple[Entry, Possible]]:
    facts = record.facts(measure)
    for entry in record.on_scale(measure):
        if entry.value is not None and _comparable(entry.value, facts.unit):
            yield entry, possible(entry.value, facts)


def _comparable(value: Value, unit: str | None) -> bool:
    """What is known of an entry that could not be read may be in another unit: then it says nothing here."""
    return value.unit == unit if isinstance(value, Amount) else unit is None


class _Version(Struct, frozen=True):
    """What a restriction asked for between two orders. On the day of an order nothing tells which of the two held."""

    first: int | None
    last: int | None
    asks: Restriction

    def may_concern(self, entry: Entry) -> bool:
        return (self.first is None or entry.last >= self.first) and (self.last is None or entry.first <= self.last)


def _versions(restriction: Restriction) -> Iterator[_Version]:
    first: int | None = None
    for held in restriction.before_orders:
        asked = replace(restriction, bounds=held.bounds, from_day=held.from_day, before_day=held.before_day)
        yield _Version(first, held.until, asked)
        first = held.until
    yield _Version(first, None, restriction)


def _in_force(restriction: Restriction, stage: Stage, record: Record) -> bool:
    """As the orders stand on the day that is judged."""
    now = next(one for one in _versions(restriction) if one.last is None or record.day < one.last)
    force = _force(now.asks, stage, record)
    return force is not None and force.at(record.at)


def _beyond(
    entry: Entry, value: Possible, versions: Sequence[tuple[_Version, _Force | None]], record: Record
) -> Verdict:
    """Was this beyond what was in force when it was taken?"""
    return unanimous(
        _beyond_one(entry, value, version.asks, force, record)
        for version, force in versions
        if version.may_concern(entry)
    )


def _beyond_one(
    entry: Entry, value: Possible, restriction: Restriction, force: _Force | None, record: Record
) -> Verdict:
    """An entry that could not be read is never certainly beyond."""
    if force is None:
        return NOT_MET
    facts = record.facts(restriction.measured.measure)
    beyond = opposite(within(value, restriction.bounds, facts))
    meant = loosely(restriction.measured, entry.side, entry.qualifiers, involved=record.plan.side, measure=facts)
    readable = MET if entry.usable else CANNOT_TELL
    return all_of([beyond, meant, force.during(entry), _after_surgery(entry), readable])


def _after_surgery(entry: Entry) -> Verdict:
    """On day 0 nothing tells whether it was measured before the surgery or after it."""
    return MET if entry.first > 0 else CANNOT_TELL


def _force(restriction: Restriction, stage: Stage, record: Record) -> _Force | None:
    """By the calendar where the restriction has an end; else while the person is in its stage."""
    entered, left = _stay(stage, record.plan)
    begins = record.calendar.begins(_first_day(restriction, stage, record))
    if restriction.before_day is not None:
        return _Force(begins, record.calendar.begins(restriction.before_day))
    if entered is None and stage is not record.plan.stages[0]:
        return None
    return _Force(begins, left)


def _first_day(restriction: Restriction, stage: Stage, record: Record) -> int:
    """A stage's restrictions begin with its window, or when it is entered earlier."""
    entered, _ = _stay(stage, record.plan)
    window = stage.window.from_day
    begins = window if entered is None else min(window, record.calendar.day(entered))
    return max(restriction.from_day, begins)


def _stay(stage: Stage, plan: Plan) -> tuple[datetime | None, datetime | None]:
    """When the stage was entered and left, as far as it was. The first stage is entered with the surgery."""
    entered = [event for event in plan.course.events if isinstance(event, StageEntered)]
    if stage is plan.stages[0] and not any(event.stage == stage.id for event in entered):
        return None, entered[0].at if entered else None
    stays = [(here.at, after.at) for here, after in pairwise(entered) if here.stage == stage.id]
    if entered and entered[-1].stage == stage.id:
        return entered[-1].at, None
    return stays[-1] if stays else (None, None)
