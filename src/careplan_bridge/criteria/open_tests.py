"""What a stage's criteria still ask to be measured: each test with its side, its ways and its device, and for which criterion.

What is met needs no test; neither does what time alone decides. A comparison asks for both sides at one visit, unless a clinician
named a reference. Of ranked alternatives, those up to the one that decided are asked for: a later one could not decide.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from careplan_bridge.criteria import words
from careplan_bridge.criteria.findings import about
from careplan_bridge.criteria.matching import other_side
from careplan_bridge.criteria.record import Record
from careplan_bridge.criteria.results import NOT_DONE
from careplan_bridge.criteria.statements import measured
from careplan_bridge.criteria.truth import MET
from careplan_bridge.model.check import CriterionResult
from careplan_bridge.model.criterion import (
    AllOf,
    AnyOf,
    AtLeastOf,
    Change,
    Condition,
    FindingIs,
    FirstDoneOf,
    Measured,
    OtherSide,
    WithinBounds,
)
from careplan_bridge.model.measure import FINDING
from careplan_bridge.model.next_visit import Purpose, VisitTest


@dataclass(frozen=True, slots=True)
class OpenTest:
    """A test that is still asked for, the statement that asks for it, and the day before which it must not be done."""

    test: VisitTest
    condition: Condition
    not_before: int | None = None


@dataclass(frozen=True, slots=True)
class _For:
    criterion: str
    title: str
    record: Record


def open_tests(record: Record, results: tuple[CriterionResult, ...]) -> Iterator[OpenTest]:
    """In the order of the protocol."""
    for criterion, result in zip(record.plan.current.criteria, results, strict=True):
        yield from _open(criterion.condition, result, _For(criterion.id, criterion.says, record))


def _open(condition: Condition, result: CriterionResult, of: _For) -> Iterator[OpenTest]:
    if result.verdict is MET:
        return
    match condition:
        case AllOf() | AnyOf() | AtLeastOf():
            for part, own in zip(condition.conditions, result.parts, strict=True):
                yield from _open(part, own, of)
        case FirstDoneOf():
            yield from _ranked(condition, result, of)
        case FindingIs():
            finding = about(condition.finding)
            yield OpenTest(_test(finding, condition.text, None, _purpose(result, of)), condition)
        case WithinBounds() | OtherSide() | Change():
            yield from _measured(condition, result, of)
        case _:
            return


def _ranked(condition: FirstDoneOf, result: CriterionResult, of: _For) -> Iterator[OpenTest]:
    for rank, (rung, own) in enumerate(zip(condition.alternatives, result.parts, strict=True), 1):
        yield from _measured(rung.condition, own, of, rank=rank, device=rung.needs, not_before=rung.not_before)
        if own.reason not in NOT_DONE:
            return


def _measured(
    condition: WithinBounds | OtherSide | Change,
    result: CriterionResult,
    of: _For,
    *,
    rank: int | None = None,
    device: str | None = None,
    not_before: int | None = None,
) -> Iterator[OpenTest]:
    title = words.capital(words.term(of.record.facts(condition.measured.measure)))
    for one in measured(condition):
        test = _test(one, title, _side(one, of.record), _purpose(result, of, rank), device)
        yield OpenTest(test, condition, not_before)


def _side(one: Measured, record: Record) -> str | None:
    """Left or right, as a person says it."""
    if one.side is None or record.facts(one.measure).side in ("none", "both"):
        return None
    return other_side(record.plan.side) if one.side == "uninvolved" else record.plan.side


def _test(one: Measured, title: str, side: str | None, purpose: Purpose, device: str | None = None) -> VisitTest:
    return VisitTest(
        measure=one.measure,
        title=title,
        side=side,
        qualifiers={} if one.measure == FINDING else one.qualifiers,
        device=device,
        purposes=(purpose,),
    )


def _purpose(result: CriterionResult, of: _For, rank: int | None = None) -> Purpose:
    return Purpose(criterion=of.criterion, title=of.title, reason=result.reason, says=result.arithmetic, rank=rank)
