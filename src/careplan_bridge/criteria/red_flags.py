"""Red flags: present until a clinician has responded, absent only if asked as recently as the newest reading used."""

from collections.abc import Iterable, Iterator, Sequence

from careplan_bridge.criteria.entry import Entry
from careplan_bridge.criteria.findings import NOT_ASKED, about
from careplan_bridge.criteria.record import Record
from careplan_bridge.criteria.responses import Responses
from careplan_bridge.criteria.results import shown
from careplan_bridge.criteria.selection import Candidate, candidates, latest
from careplan_bridge.criteria.values import Levels, possible
from careplan_bridge.model.check import CriterionResult, RedFlagResult
from careplan_bridge.model.criterion import RedFlag
from careplan_bridge.model.measure import FINDING

PRESENT, ABSENT, RESPONDED, UNTOLD, OUT_OF_DATE = "present", "absent", "responded", "cannot-tell", "out-of-date"
_ONLY_PRESENT, _ONLY_ABSENT = frozenset({PRESENT}), frozenset({ABSENT})


def judge(record: Record, responses: Responses, criteria: Iterable[CriterionResult]) -> tuple[RedFlagResult, ...]:
    newest = newest_used(criteria, record)
    return tuple(_judge(flag, record, responses, newest) for flag in record.plan.red_flags)


def newest_used(criteria: Iterable[CriterionResult], record: Record) -> int | None:
    """The last day on which a reading that a verdict rests on may have been taken."""
    used = [reading for result in criteria for reading in result.readings if reading.used]
    return max((min(record.calendar.day(reading.at.high), record.day) for reading in used), default=None)


def _judge(flag: RedFlag, record: Record, responses: Responses, newest: int | None) -> RedFlagResult:
    several = candidates(about(flag.id), record)
    present = [entry for entry in _since_the_plan_began(flag, record) if PRESENT in _levels(entry, record)]
    waiting = [entry for entry in present if not responses.cover_red_flag(flag.id, entry.source)]
    certain = [entry for entry in waiting if entry.usable and _levels(entry, record) == _ONLY_PRESENT]
    if certain:
        return _result(flag, PRESENT, waiting, record)
    state, entries = _without_alarm(flag, several, waiting, record, responses, newest)
    said = responses.words(flag.id, [entry.source for entry in entries]) if state == RESPONDED else ""
    return _result(flag, state, entries, record, said)


def _since_the_plan_began(flag: RedFlag, record: Record) -> Iterator[Entry]:
    """A further surgery makes measurements history, but it clears no red flag."""
    yield from (entry for entry in record.of(FINDING) if entry.finding == flag.id and entry.last >= 0)


def _without_alarm(
    flag: RedFlag,
    several: Sequence[Candidate],
    unclear: Sequence[Entry],
    record: Record,
    responses: Responses,
    newest: int | None,
) -> tuple[str, list[Entry]]:
    """What the last answers say, where nothing is certainly present without a response."""
    last = [one.entry for one in latest(several)]
    if not last:
        return (NOT_ASKED if record.complete else UNTOLD), []
    if unclear or not record.complete or not all(entry.usable for entry in last):
        return UNTOLD, [*last, *unclear]
    levels = frozenset[str]().union(*(_levels(entry, record) for entry in last))
    if NOT_ASKED in levels:
        return NOT_ASKED, last
    if levels == _ONLY_ABSENT:
        return (ABSENT if _as_recent(last, newest) else OUT_OF_DATE), last
    return (RESPONDED if _dealt_with(flag, last, record, responses, newest) else OUT_OF_DATE), last


def _dealt_with(flag: RedFlag, last: Sequence[Entry], record: Record, responses: Responses, newest: int | None) -> bool:
    """A response settles what was said up to its own day; what was measured later needs the question again."""
    days = [record.calendar.day(event.at) for event in responses.to_red_flag(flag.id, [entry.source for entry in last])]
    return newest is None or max(days, default=newest) >= newest or _as_recent(last, newest)


def _as_recent(entries: Iterable[Entry], newest: int | None) -> bool:
    return newest is None or all(entry.first >= newest for entry in entries)


def _levels(entry: Entry, record: Record) -> Levels:
    known = possible(entry.value, record.facts(FINDING)) if entry.value else frozenset[str]()
    return known if isinstance(known, frozenset) else frozenset[str]()


def _result(flag: RedFlag, state: str, entries: Sequence[Entry], record: Record, said: str = "") -> RedFlagResult:
    return RedFlagResult(
        id=flag.id,
        ask=flag.ask,
        act=flag.act,
        state=state,
        readings=shown(tuple(entries), (), record),
        unusable=tuple(entry.unusable for entry in {id(entry): entry for entry in entries}.values() if entry.unusable),
        response=said,
    )
