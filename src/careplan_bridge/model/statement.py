"""A signed decision in sentences: what stands in the record where CarePlan and Goals can't be written, and what a person transcribes."""

import hashlib
from collections.abc import Iterator

from careplan_bridge.model.cautions import CAUTIONS
from careplan_bridge.model.check import CriteriaCheck, CriterionResult
from careplan_bridge.model.decision import Decision, Signature
from careplan_bridge.model.plan import Plan


def statement(plan: Plan, decision: Decision, check: CriteriaCheck) -> tuple[str, ...]:
    """One sentence a line, the same ones for the same decision; no patient's name."""
    return tuple(_lines(plan, decision, check))


def sheet_code(lines: tuple[str, ...]) -> str:
    """Eight characters that stand for these very lines: whoever gives them had this sheet before them."""
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()[:8]


def criteria_words(check: CriteriaCheck) -> tuple[str, ...]:
    """What the check says of each criterion, in words."""
    return tuple(f"{result.says}: {_verdict(result)}" for result in check.criteria)


def _lines(plan: Plan, decision: Decision, check: CriteriaCheck) -> Iterator[str]:
    stage = plan.stage(decision.stage)
    yield f"{plan.protocol.title}, version {plan.protocol.version}, {plan.side} side; plan {plan.id}, revision {decision.revision}"
    yield _what(plan, decision)
    yield f"Reason: {decision.reason}"
    yield from (_signed(plan, signature) for signature in decision.signatures)
    yield f"Criteria of stage {stage.title}:"
    yield from (f"- {words}" for words in criteria_words(check))
    yield f"Decision {decision.id}, on check {decision.digest}"
    yield from (plan.protocol.notice, *CAUTIONS)


def _what(plan: Plan, decision: Decision) -> str:
    stage = plan.stage(decision.stage).title
    if decision.to_stage:
        return f"Decided: stage {stage} is completed; stage {plan.stage(decision.to_stage).title} begins."
    ends = {"discharge": f"Decided: discharge; stage {stage} and the plan are completed."}
    return ends.get(decision.kind, f"Decided: {decision.kind} in stage {stage}.")


def _signed(plan: Plan, signature: Signature) -> str:
    person = plan.person(signature.person)
    name = person.name if person else signature.person
    return f"Signed: {name}, {signature.role}, {signature.at.isoformat(timespec='minutes')}"


def _verdict(result: CriterionResult) -> str:
    return result.verdict.replace("-", " ") + (f" ({result.arithmetic})" if result.arithmetic else "")
