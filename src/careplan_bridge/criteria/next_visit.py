"""The next visit: what to ask, what to measure and in which order, what is not yet safe, what is or will be out of date.

It follows from the same judgement as the criteria check and adds nothing to it. Tests that share a position and a device stand
together, so that a person changes position as rarely as possible.
"""

from collections.abc import Iterator, Sequence
from datetime import datetime

from msgspec.structs import replace

from careplan_bridge.criteria import red_flags
from careplan_bridge.criteria.ages import ages
from careplan_bridge.criteria.open_tests import OpenTest, open_tests
from careplan_bridge.criteria.record import Record, evidence
from careplan_bridge.criteria.safety import limits, suppressed
from careplan_bridge.criteria.survey import Survey, survey
from careplan_bridge.criteria.truth import MET
from careplan_bridge.model.cautions import CAUTIONS
from careplan_bridge.model.measure import FINDING
from careplan_bridge.model.next_visit import NextVisit, Purpose, Question, Station, Suppressed, VisitTest
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.reading import Readings


def next_visit(plan: Plan, readings: Readings, at: datetime, *, complete: bool) -> NextVisit:
    """What a visit at `at` (aware) should do for the plan's current stage; `complete`: was everything retrieved?"""
    record = evidence(plan, readings).until(at, complete=complete)
    judged = survey(record)
    safe, unsafe = _sorted_out(record, judged)
    return NextVisit(
        cautions=CAUTIONS,
        plan=plan.id,
        revision=plan.revision,
        case=plan.case,
        protocol=plan.protocol,
        clinic=plan.clinic,
        side=plan.side,
        stage=plan.current.id,
        stage_title=plan.current.title,
        at=at,
        day=record.day,
        outcome=judged.outcome,
        complete=complete,
        ask=tuple(_questions(judged)),
        stations=stations(safe),
        suppressed=unsafe,
        ages=ages(record),
        precautions=tuple(one.text for one in judged.precautions if one.lifting is not MET),
    )


def stations(tests: Sequence[VisitTest]) -> tuple[Station, ...]:
    """Grouped by position, then by device, in the order in which each first appears; what is only looked for comes last."""
    found: dict[tuple[bool, str | None], dict[str | None, list[VisitTest]]] = {}
    for test in tests:
        devices = found.setdefault((test.measure == FINDING, test.qualifiers.get("position")), {})
        devices.setdefault(test.device, []).append(test)
    return tuple(
        Station(position=position, device=device, tests=tuple(together))
        for (_, position), devices in sorted(found.items(), key=lambda item: item[0][0])
        for device, together in devices.items()
    )


def _sorted_out(record: Record, judged: Survey) -> tuple[list[VisitTest], tuple[Suppressed, ...]]:
    safe: list[VisitTest] = []
    unsafe: list[Suppressed] = []
    for one in open_tests(record, judged.criteria):
        stopped = suppressed(one, record, judged)
        if stopped is None:
            safe.append(_within(one, record, judged))
        else:
            unsafe.append(stopped)
    return _merged(safe), tuple(_once(unsafe))


def _within(one: OpenTest, record: Record, judged: Survey) -> VisitTest:
    return replace(one.test, within=tuple(limit.says for limit in limits(one, record, judged)))


def _merged(tests: Sequence[VisitTest]) -> list[VisitTest]:
    """Each thing once, for all its criteria. Where one criterion leaves open what another names, one test serves both."""
    several: list[VisitTest] = []
    for test in sorted(tests, key=lambda one: -len(one.qualifiers)):
        place = next((place for place, other in enumerate(several) if _serves(other, test)), None)
        if place is None:
            several.append(test)
        else:
            several[place] = _joined(several[place], test)
    return sorted(several, key=lambda test: _first_asked(test, tests))


def _serves(other: VisitTest, test: VisitTest) -> bool:
    if other.measure == FINDING:
        return (other.measure, other.title) == (test.measure, test.title)
    same = (other.measure, other.side, other.device) == (test.measure, test.side, test.device)
    return same and test.qualifiers.items() <= other.qualifiers.items()


def _joined(one: VisitTest, other: VisitTest) -> VisitTest:
    return replace(
        one,
        purposes=_distinct((*one.purposes, *other.purposes)),
        within=tuple(dict.fromkeys((*one.within, *other.within))),
    )


def _distinct(purposes: Sequence[Purpose]) -> tuple[Purpose, ...]:
    return tuple({(one.criterion, one.rank, one.says): one for one in purposes}.values())


def _first_asked(test: VisitTest, tests: Sequence[VisitTest]) -> int:
    own = {(one.criterion, one.rank) for one in test.purposes}
    return next(
        place
        for place, other in enumerate(tests)
        if other.measure == test.measure and {(one.criterion, one.rank) for one in other.purposes} & own
    )


def _once(several: Sequence[Suppressed]) -> Iterator[Suppressed]:
    """One entry for each test and reason, with all the criteria it would serve."""
    found: dict[str, Suppressed] = {}
    for one in several:
        bare = replace(one, test=replace(one.test, purposes=()))
        known = found.setdefault(repr(bare), one)
        if known is not one:
            found[repr(bare)] = replace(known, test=_joined(known.test, one.test))
    yield from found.values()


def _questions(judged: Survey) -> Iterator[Question]:
    """Every red flag is asked at every visit; what is present or unknown stands first."""
    rank = {red_flags.PRESENT: 0, red_flags.ABSENT: 2, red_flags.RESPONDED: 2}
    for flag in sorted(judged.red_flags, key=lambda flag: rank.get(flag.state, 1)):
        yield Question(id=flag.id, ask=flag.ask, act=flag.act, state=flag.state)
