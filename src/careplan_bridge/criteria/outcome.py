"""What follows from the verdicts. Unknown is never taken for met: only what is known lets a decision be awaited."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from careplan_bridge.criteria import red_flags, restrictions
from careplan_bridge.criteria.record import Record
from careplan_bridge.criteria.truth import CANNOT_TELL, MET, NOT_MET
from careplan_bridge.model.check import CriterionResult, Outcome, RedFlagResult, RestrictionResult


@dataclass(frozen=True, slots=True)
class Judged:
    """Everything an outcome rests on."""

    criteria: tuple[CriterionResult, ...]
    restrictions: tuple[RestrictionResult, ...]
    flags: tuple[RedFlagResult, ...]


def outcome(record: Record, judged: Judged) -> Outcome:
    if _blocked(judged):
        return Outcome.BLOCKED
    # What cannot be told would have to turn out well at this very moment; what is not met, or too early, cannot.
    if not time_has_come(record) or any(result.verdict is NOT_MET for result in judged.criteria):
        return Outcome.NOT_YET
    known = all(result.verdict is MET for result in judged.criteria) and not any(_open_questions(record, judged))
    return Outcome.AWAITING_DECISION if known else Outcome.INFORMATION_MISSING


def time_has_come(record: Record) -> bool:
    """The earliest day on which the stage may be left includes its day."""
    earliest = record.plan.current.window.earliest_advance
    return earliest is None or record.day >= earliest


def missing(record: Record, judged: Judged) -> tuple[str, ...]:
    """A sentence for each thing that is not known, with how to get it."""
    return tuple(dict.fromkeys((*_unknown(judged.criteria), *_open_questions(record, judged))))


def _blocked(judged: Judged) -> bool:
    exceeded = any(result.state == restrictions.EXCEEDED for result in judged.restrictions)
    return exceeded or any(result.state == red_flags.PRESENT for result in judged.flags)


def _unknown(criteria: Sequence[CriterionResult]) -> Iterator[str]:
    for result in criteria:
        if result.verdict is CANNOT_TELL:
            yield f"{result.says}: {result.arithmetic}. Needed: {result.settle or 'a clinician must look at it'}."


def _open_questions(record: Record, judged: Judged) -> Iterator[str]:
    if not record.complete:
        yield "Not everything was retrieved from the record; pull again."
    yield from filter(None, map(_about_flag, judged.flags))
    if record.plan.orders_confirmed is None:
        yield "Nobody has confirmed that these are all of the surgeon's orders; ask the surgeon, and confirm it in the case."
    yield from _about_excess(judged.restrictions)


_FLAG_QUESTIONS = {
    red_flags.NOT_ASKED: "not asked; ask it, and record present or absent",
    red_flags.OUT_OF_DATE: "asked before the newest reading; ask it again",
    red_flags.UNTOLD: "the last answer cannot be told; ask it, and record present or absent",
}


def _about_flag(flag: RedFlagResult) -> str:
    question = _FLAG_QUESTIONS.get(flag.state)
    return f"Red flag {flag.id!r} ({flag.ask}): {question}." if question else ""


def _about_excess(results: Iterable[RestrictionResult]) -> Iterator[str]:
    for result in results:
        if result.state == restrictions.POSSIBLY:
            yield f"Possibly exceeded: {result.says}. A clinician must look at the readings and respond."
