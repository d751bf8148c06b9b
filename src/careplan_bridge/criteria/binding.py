"""The digest that binds a decision to one check: equal as long as nothing it rests on has changed, and never about the moment."""

from careplan_bridge.criteria.survey import Survey
from careplan_bridge.model.check import CriterionResult
from careplan_bridge.model.digest import digest
from careplan_bridge.model.plan import Plan


def bind(plan: Plan, survey: Survey, *, complete: bool) -> str:
    """SHA-256 over the plan's revision and course, what it was compiled from, every entry that could touch it, every verdict."""
    return digest(
        {
            "plan": plan.id,
            "revision": plan.revision,
            "stage": plan.current.id,
            "course": plan.course,
            "protocol": plan.protocol.digest,
            "case": plan.case_digest,
            "catalogue": plan.catalogue_digest,
            "conventions": plan.conventions_digest,
            "complete": complete,
            "entries": sorted({f"{source.key} {source.part or ''}" for source in survey.touching}),
            "verdicts": [_verdicts(result) for result in survey.criteria],
            "restrictions": [(result.id, result.state) for result in survey.restrictions],
            "precautions": [(result.id, result.lifting) for result in survey.precautions],
            "red flags": [(result.id, result.state) for result in survey.red_flags],
            "outcome": survey.outcome,
        }
    )


def _verdicts(result: CriterionResult) -> dict[str, object]:
    return {"id": result.id, "verdict": result.verdict, "parts": [_verdicts(part) for part in result.parts]}
