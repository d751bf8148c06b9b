"""One run over many plans. What is done to a plan is handed in; here stands only that one plan's failure never hides another's."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from careplan_bridge.errors import BridgeError, InputRefused, RunAgain, ServerRefused, WriteConflict
from careplan_bridge.model.check import IDENTITY_CHANGED, CriteriaCheck, Outcome
from careplan_bridge.model.decision import Decision
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.run import PlanResult, Status
from careplan_bridge.writeback.patient import IdentityChanged

_OUR_FAULT = 70


@dataclass(frozen=True, slots=True)
class Steps:
    """What a run does to one plan, in this order. `finish` and `write` say how many resources they changed."""

    finish: Callable[[Plan], int]
    judge: Callable[[Plan], CriteriaCheck]
    write: Callable[[Plan, CriteriaCheck], int]
    waiting: Callable[[Plan], Sequence[Decision]]


def run(plans: Iterable[Plan], steps: Steps) -> Iterator[PlanResult]:
    """A result for each plan as soon as it is known. Raises only RunAgain: a stop or a lock concerns the whole run."""
    for plan in plans:
        yield _guarded(plan, steps)


def exit_code(results: Sequence[PlanResult]) -> int:
    """0 where all went well; the plans' own code where all that were tried ended with the same one; else 1, done in part."""
    codes = {result.exit_code for result in results if result.status != "skipped"}
    if codes <= {0}:
        return 0
    return codes.pop() if len(codes) == 1 else 1


def _guarded(plan: Plan, steps: Steps) -> PlanResult:
    try:
        return _one(plan, steps)
    except RunAgain:
        raise
    except BridgeError as error:
        return _stopped(plan, error)
    except Exception as error:  # noqa: BLE001 - one plan's failure never hides another's; the text may hold patient data
        detail = f"a fault of ours ({type(error).__name__}); the other plans were run"
        return PlanResult(plan=plan.id, status="failed", detail=detail, exit_code=_OUR_FAULT)


def _stopped(plan: Plan, error: BridgeError) -> PlanResult:
    attention = (f"{IDENTITY_CHANGED}: patient",) if isinstance(error, IdentityChanged) else ()
    return PlanResult(
        plan=plan.id, status=_status_of(error), attention=attention, detail=str(error), exit_code=error.exit_code
    )


def _one(plan: Plan, steps: Steps) -> PlanResult:
    if plan.course.status == "completed":
        return PlanResult(plan=plan.id, status="skipped", detail="closed: the discharge was signed and written")
    finished = steps.finish(plan)
    check = steps.judge(plan)
    written = finished + steps.write(plan, check)
    attention = tuple(_attention(check, steps.waiting(plan)))
    if not check.complete:
        detail = "the retrieval was not complete; what hangs on it cannot be told"
        return PlanResult(plan=plan.id, status="failed", attention=attention, detail=detail, exit_code=1)
    detail = f"{check.stage}: {check.outcome}; {written} written"
    return PlanResult(plan=plan.id, status="done" if written else "unchanged", attention=attention, detail=detail)


def _attention(check: CriteriaCheck, waiting: Sequence[Decision]) -> Iterator[str]:
    if check.outcome in (Outcome.BLOCKED, Outcome.AWAITING_DECISION):
        yield check.outcome
    yield from (f"{mark.mark}: {mark.subject}" for mark in check.attention)
    for decision in waiting:
        missing = ", ".join(decision.missing_roles)
        yield f"{decision.kind} {decision.id} waits for {missing or 'its write-back'}"


def _status_of(error: BridgeError) -> Status:
    return "refused" if isinstance(error, InputRefused | ServerRefused | WriteConflict) else "failed"
