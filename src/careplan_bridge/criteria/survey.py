"""Everything that is judged at one moment: criteria, restrictions, precautions, red flags, and what follows from them."""

from dataclasses import dataclass

from msgspec.structs import replace

from careplan_bridge.criteria import attention, outcome, precautions, red_flags, restrictions
from careplan_bridge.criteria.conditions import judge
from careplan_bridge.criteria.current import Terms
from careplan_bridge.criteria.outcome import Judged
from careplan_bridge.criteria.record import Record
from careplan_bridge.criteria.responses import responses
from careplan_bridge.criteria.trend import Movements, movements
from careplan_bridge.model.check import (
    Attention,
    CriterionResult,
    Outcome,
    PrecautionResult,
    RedFlagResult,
    RestrictionResult,
)
from careplan_bridge.model.criterion import Criterion, WithinBounds
from careplan_bridge.model.reading import Source, Unusable


@dataclass(frozen=True, slots=True)
class Survey:
    """Equal surveys are equal checks but for the moment they were made."""

    criteria: tuple[CriterionResult, ...]
    restrictions: tuple[RestrictionResult, ...]
    precautions: tuple[PrecautionResult, ...]
    red_flags: tuple[RedFlagResult, ...]
    attention: tuple[Attention, ...]
    outcome: Outcome
    missing: tuple[str, ...]
    unusable: tuple[Unusable, ...]
    touching: tuple[Source, ...]


def survey(record: Record) -> Survey:
    dealt_with = responses(record.plan, record.calendar)
    limits = restrictions.judge(record, dealt_with)
    moved = {criterion.id: movements(criterion, record) for criterion in record.plan.current.criteria}
    verdicts = tuple(_judge(one, record, limits, moved[one.id]) for one in record.plan.current.criteria)
    flags = red_flags.judge(record, dealt_with, verdicts)
    judged = Judged(verdicts, limits, flags)
    return Survey(
        criteria=verdicts,
        restrictions=limits,
        precautions=precautions.judge(record, verdicts),
        red_flags=flags,
        attention=attention.marks(record, verdicts, limits, moved),
        outcome=outcome.outcome(record, judged),
        missing=outcome.missing(record, judged),
        unusable=tuple(entry.unusable for entry in record.touching if entry.unusable),
        touching=tuple(entry.source for entry in record.touching),
    )


def _judge(
    criterion: Criterion, record: Record, limits: tuple[RestrictionResult, ...], moved: Movements
) -> CriterionResult:
    result = judge(criterion.condition, Terms.of(criterion), record)
    if not isinstance(criterion.condition, WithinBounds):
        return result
    trend = moved[0][1].trend
    return replace(result, trend=None if trend == "improving" and _beyond(result, limits) else trend)


def _beyond(result: CriterionResult, limits: tuple[RestrictionResult, ...]) -> bool:
    """A value beyond a restriction is never called improving."""
    beyond = {reading.source for limit in limits if limit.state in _BEYOND for reading in limit.readings}
    return any(reading.used and reading.source in beyond for reading in result.readings)


_BEYOND = (*restrictions.OPEN, restrictions.RESPONDED)
