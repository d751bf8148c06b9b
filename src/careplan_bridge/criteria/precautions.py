"""Precautions, and whether the protocol's condition for lifting them holds. Lifting one remains a clinician's act."""

from collections.abc import Iterator, Mapping, Sequence

from careplan_bridge.criteria import words
from careplan_bridge.criteria.record import Record
from careplan_bridge.criteria.truth import NOT_MET, all_of, truth
from careplan_bridge.model.check import CriterionResult, PrecautionResult, Verdict
from careplan_bridge.model.criterion import Precaution


def judge(record: Record, criteria: Sequence[CriterionResult]) -> tuple[PrecautionResult, ...]:
    """Those of this stage, and those of earlier stages whose day has not come."""
    by_id = {result.id: result for result in criteria}
    own = [_judge(precaution, by_id, record) for precaution in record.plan.current.precautions]
    return (*_from_before(record), *own)


def _from_before(record: Record) -> Iterator[PrecautionResult]:
    for stage in record.plan.stages:
        if stage.id == record.plan.current.id:
            return
        for precaution in stage.precautions:
            if precaution.before_day is not None and record.day < precaution.before_day:
                # The criteria that lift it were met when the stage was left; only its day is still open.
                yield _result(precaution, NOT_MET, f"Until {words.dated(precaution.before_day, record.calendar)}.")


def _judge(precaution: Precaution, criteria: Mapping[str, CriterionResult], record: Record) -> PrecautionResult:
    if not precaution.lifted_by and precaution.before_day is None:
        return _result(precaution, NOT_MET, "Until the stage is left.")
    asked = [criteria[one].verdict for one in precaution.lifted_by]
    if precaution.before_day is not None:
        asked.append(truth(record.day >= precaution.before_day))
    return _result(precaution, all_of(asked), _says(precaution, criteria, record))


def _says(precaution: Precaution, criteria: Mapping[str, CriterionResult], record: Record) -> str:
    """`Lifted by a clinician once: Straight-leg raise without lag (not met); not before week 6 (2026-04-13).`"""
    lifting = (criteria[one] for one in precaution.lifted_by)
    parts = [f"{one.says} ({one.verdict.replace('-', ' ')})" for one in lifting]
    if precaution.before_day is not None:
        parts.append(f"not before {words.dated(precaution.before_day, record.calendar)}")
    return f"Lifted by a clinician once: {'; '.join(parts)}."


def _result(precaution: Precaution, lifting: Verdict, says: str) -> PrecautionResult:
    return PrecautionResult(id=precaution.id, text=precaution.text, lifting=lifting, lifting_says=says)
