"""One condition of any kind, judged on the record. Compounds combine their parts; each part keeps its own sum."""

from collections.abc import Iterator, Sequence

from msgspec.structs import replace

from careplan_bridge.criteria import changes, comparisons, findings, thresholds
from careplan_bridge.criteria.current import Missing, Terms
from careplan_bridge.criteria.record import Record
from careplan_bridge.criteria.results import NOT_DONE, decided, together
from careplan_bridge.criteria.says import says
from careplan_bridge.criteria.truth import CANNOT_TELL, MET, all_of, any_of, at_least_of
from careplan_bridge.model.check import CriterionResult, Verdict
from careplan_bridge.model.criterion import (
    AllOf,
    AnyOf,
    AtLeastOf,
    Change,
    Condition,
    FindingIs,
    FirstDoneOf,
    OtherSide,
    TimeSince,
    WithinBounds,
)


def judge(condition: Condition, terms: Terms, record: Record) -> CriterionResult:  # noqa: PLR0911 - one for each kind
    """The verdict with its reason, its sum in words and its readings."""
    match condition:
        case WithinBounds():
            return thresholds.judge(condition, terms, record)
        case OtherSide():
            return comparisons.judge_sides(condition, terms, record)
        case Change():
            return changes.judge_change(condition, terms, record)
        case TimeSince():
            return findings.judge_time(condition, terms, record)
        case FindingIs():
            return findings.judge_finding(condition, terms, record)
        case FirstDoneOf():
            return _first_done(condition, terms, record)
        case AllOf() | AnyOf() | AtLeastOf():
            return _combined(condition, terms, record)


def verdict(condition: Condition, terms: Terms, record: Record) -> Verdict:
    """What `judge` says, by the same steps, without words and readings: for many plans at once."""
    match condition:
        case AllOf() | AnyOf() | AtLeastOf():
            return _verdict(condition, [verdict(part, terms, record) for part in condition.conditions])
        case FirstDoneOf():
            return _verdict_of_first_done(condition, terms, record)
        case FindingIs():
            found = findings.verdict_of_finding(condition, terms, record)
        case TimeSince():
            return findings.judge_time(condition, terms, record).verdict
        case _:
            found = _verdict_of_measured(condition, terms, record)
    return CANNOT_TELL if isinstance(found, Missing) else found


def _verdict_of_measured(
    condition: WithinBounds | OtherSide | Change, terms: Terms, record: Record
) -> Verdict | Missing:
    match condition:
        case WithinBounds():
            return thresholds.verdict(condition, terms, record)
        case OtherSide():
            return comparisons.verdict_of_sides(condition, terms, record)
        case Change():
            return changes.verdict_of_change(condition, terms, record)


def _verdict_of_first_done(condition: FirstDoneOf, terms: Terms, record: Record) -> Verdict:
    for number, rung in enumerate(condition.alternatives, 1):
        own = _part(terms, number, "", not_before=rung.not_before)
        found = _verdict_of_measured(rung.condition, own, record)
        if not isinstance(found, Missing):
            return found
        if found.reason not in NOT_DONE:
            break
    return CANNOT_TELL


def _combined(condition: AllOf | AnyOf | AtLeastOf, terms: Terms, record: Record) -> CriterionResult:
    parts = tuple(
        judge(part, _part(terms, number, says(part, record)), record)
        for number, part in enumerate(condition.conditions, 1)
    )
    verdict = _verdict(condition, [part.verdict for part in parts])
    held = sum(part.verdict is MET for part in parts)
    said = f"{held} of {len(parts)} met; {_wanted(condition, len(parts))} wanted"
    settle = "; ".join(_settling(parts)) if verdict is CANNOT_TELL else ""
    found = decided(terms, verdict, said, readings=together(parts), reason=_reason(verdict, parts), settle=settle)
    return replace(found, parts=parts)


def _verdict(condition: AllOf | AnyOf | AtLeastOf, verdicts: Sequence[Verdict]) -> Verdict:
    match condition:
        case AllOf():
            return all_of(verdicts)
        case AnyOf():
            return any_of(verdicts)
        case AtLeastOf():
            return at_least_of(condition.count, verdicts)


def _wanted(condition: AllOf | AnyOf | AtLeastOf, count: int) -> str:
    match condition:
        case AllOf():
            return f"all {count}"
        case AnyOf():
            return "any"
        case AtLeastOf():
            return f"at least {condition.count}"


def _first_done(condition: FirstDoneOf, terms: Terms, record: Record) -> CriterionResult:
    """The first alternative that was validly done decides; whether one was done may itself be unknown."""
    parts: list[CriterionResult] = []
    for number, rung in enumerate(condition.alternatives, 1):
        own = _part(terms, number, says(rung.condition, record), not_before=rung.not_before)
        parts.append(judge(rung.condition, own, record))
    deciding = next((part for part in parts if part.reason not in NOT_DONE), None)
    if deciding is None:
        settle = f"one of these: {'; '.join(_settling(parts))}"
        undone = decided(terms, CANNOT_TELL, "none of the alternatives was done", reason="none-done", settle=settle)
        return replace(undone, parts=tuple(parts))
    said = f"{deciding.says}: {deciding.arithmetic}"
    found = decided(terms, deciding.verdict, said, near=deciding.within_measurement_error, reason=deciding.reason)
    return replace(found, settle=deciding.settle, readings=deciding.readings, parts=tuple(parts))


def _part(terms: Terms, number: int, sentence: str, *, not_before: int | None = None) -> Terms:
    return Terms(
        id=f"{terms.id}.{number}",
        says=sentence,
        no_older_than=terms.no_older_than,
        accepts=terms.accepts,
        not_before=not_before,
    )


def _settling(parts: Sequence[CriterionResult]) -> Iterator[str]:
    yield from dict.fromkeys(part.settle for part in parts if part.verdict is CANNOT_TELL and part.settle)


def _reason(verdict: Verdict, parts: Sequence[CriterionResult]) -> str:
    """A compound that cannot be told has the reason of its first part that cannot."""
    if verdict is not CANNOT_TELL:
        return verdict.value
    return next((part.reason for part in parts if part.verdict is CANNOT_TELL), "")
