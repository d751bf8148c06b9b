"""What will be written once a decision is signed, said before anyone signs."""

from collections.abc import Iterator

from careplan_bridge.model.decision import Decision
from careplan_bridge.model.plan import Plan
from careplan_bridge.writeback.routes import Route


def forecast(plan: Plan, decision: Decision, route: Route | None) -> tuple[str, ...]:
    """One sentence a step, in the order of writing; `route` None where no endpoint was asked."""
    return (*_steps(plan, decision), _way(route))


def _steps(plan: Plan, decision: Decision) -> Iterator[str]:
    stage = plan.stage(decision.stage)
    following = plan.stage(decision.to_stage) if decision.to_stage else None
    if following is not None:
        yield f"{len(following.criteria)} Goals of stage {following.id!r} created as planned"
        yield f"CarePlan: stage {stage.id!r} completed, stage {following.id!r} in progress"
        yield f"{len(stage.criteria)} Goals of stage {stage.id!r} achieved and completed"
    elif decision.kind == "discharge":
        yield "CarePlan and its last stage completed"
        yield f"{len(stage.criteria)} Goals of stage {stage.id!r} achieved and completed"
    else:
        yield f"CarePlan: active, stage {stage.id!r} in progress"
        yield f"{len(stage.criteria)} Goals of stage {stage.id!r}: active, with what this check says of each"
    yield "Provenance naming who signed and the readings the check rests on"


def _way(route: Route | None) -> str:
    if route is None:
        return "whether as one transaction depends on the endpoint (--endpoint asks it)"
    return (
        "all but Provenance as one transaction"
        if route.together
        else "one after another, the CarePlan being the commit point"
    )
