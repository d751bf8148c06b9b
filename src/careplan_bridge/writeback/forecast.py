"""What will be written once a decision is signed, or a plan pushed, said before anyone signs."""

from collections.abc import Iterator

from msgspec.structs import replace

from careplan_bridge.endpoint.http import Client
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.model.decision import Decision
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.route import Forecast, Making, Medium, Route, Step
from careplan_bridge.writeback.journal import Journal, in_steps_if_refused
from careplan_bridge.writeback.push import kept_here
from careplan_bridge.writeback.routes import RESOURCES, known, making, route, unguarded, unknown

_GUARD: dict[Making, str] = {"conditional": "if-none-exist", "client-id": "client-id", "search": "searched"}
_WHOLE = "all-or-nothing"
_APART = "the readings lie on another server: they are named by their addresses there"


def forecast(plan: Plan, decision: Decision, client: Client | None, ledger: Ledger) -> Forecast:
    """For a decision; without an endpoint it says what, and not which way."""
    if client is None:
        says = (*_changes(plan, decision, Route()), "which way it goes depends on the endpoint (--endpoint asks it)")
        return Forecast(endpoint=None, plan=plan.id, decision=decision.id, ends="unknown", says=says)
    name = client.endpoint.name
    if not known(client, ledger).known:
        return Forecast(endpoint=name, plan=plan.id, decision=decision.id, ends="refused", says=(unknown(name),))
    journal = Journal(ledger, client.endpoint.base, plan.id, decision.id)
    made = _by(in_steps_if_refused(route(client, ledger), journal), plan, decision, client)
    binding = ledger.binding(plan.id)
    if made.steps and binding is not None and binding.readings:
        return replace(made, says=(*made.says, _APART))
    return made


def push_forecast(plan: Plan, client: Client, ledger: Ledger) -> Forecast:
    """For the first push of a plan: what is on the server already is left alone and comes off."""
    name = client.endpoint.name
    if not known(client, ledger).known:
        return Forecast(endpoint=name, plan=plan.id, ends="refused", says=(unknown(name),))
    way = in_steps_if_refused(route(client, ledger), Journal(ledger, client.endpoint.base, plan.id))
    if way.medium != "resources":
        return Forecast(endpoint=name, plan=plan.id, ends="ledger", route=way, says=(kept_here(name, way),))
    goals = 0 if way.goal_states == "note-only" else len(plan.current.criteria)
    says = (*_draft(plan, goals), *_ways(way, decided=False))
    return Forecast(endpoint=name, plan=plan.id, ends="written", route=way, steps=_pushed(way, goals), says=says)


def _by(way: Route, plan: Plan, decision: Decision, client: Client) -> Forecast:
    name = client.endpoint.name
    base = Forecast(endpoint=name, plan=plan.id, decision=decision.id, ends="written", route=way)
    if way.medium == "by-hand":
        return replace(base, ends="parked", says=(_parked(name),))
    if way.medium != "resources":
        step = _making(way.make, RESOURCES[way.medium], 1)
        return replace(base, steps=(step,), says=(_recorded(way.medium), *_ways(way, decided=True)))
    if way.guard == "refused":
        return replace(base, ends="refused", says=(unguarded(name),))
    steps = tuple(_decided(way, plan, decision, making(client, "Provenance")))
    return replace(base, steps=steps, says=(*_changes(plan, decision, way), *_ways(way, decided=True)))


def _draft(plan: Plan, goals: int) -> Iterator[str]:
    if goals:
        yield f"{goals} Goals of stage {plan.current.id!r} created as planned"
    yield "CarePlan created as a draft" + ("" if goals else "; the server takes no Goals")


def _pushed(way: Route, goals: int) -> tuple[Step, ...]:
    if way.takes(goals + 1):
        return (Step(method="POST", what="transaction", count=1, guard=_WHOLE),)
    return tuple(step for step in (_making(way.make, "Goal", goals), _making(way.make, "CarePlan", 1)) if step.count)


def _decided(way: Route, plan: Plan, decision: Decision, provenance: Making) -> Iterator[Step]:
    new = len(plan.stage(decision.to_stage).criteria) if decision.to_stage and way.goal_states != "note-only" else 0
    old = len(plan.stage(decision.stage).criteria) if way.goal_states == "goals" else 0
    if way.takes(new + 1 + old):
        yield Step(method="POST", what="transaction", count=1, guard=_WHOLE)
    else:
        guard = "if-match" if way.guard == "version" else "none"
        changes = (
            Step(method="PUT", what=what, count=count, guard=guard) for what, count in (("CarePlan", 1), ("Goal", old))
        )
        yield from (step for step in (_making(way.make, "Goal", new), *changes) if step.count)
    if way.provenance:
        yield _making(provenance, "Provenance", 1)


def _making(make: Making, what: str, count: int) -> Step:
    return Step(method="PUT" if make == "client-id" else "POST", what=what, count=count, guard=_GUARD[make])


def _changes(plan: Plan, decision: Decision, way: Route) -> Iterator[str]:
    stage = plan.stage(decision.stage)
    following = plan.stage(decision.to_stage) if decision.to_stage else None
    left = "active, with what this check says of each" if decision.kind == "remain" else "achieved and completed"
    if following is not None and way.goal_states != "note-only":
        yield f"{len(following.criteria)} Goals of stage {following.id!r} created as planned"
    yield _care_plan(decision, following.id if following else "")
    if way.goal_states == "goals":
        yield f"{len(stage.criteria)} Goals of stage {stage.id!r}: {left}"
    else:
        yield f"a note in the CarePlan with what this check says of the {len(stage.criteria)} criteria of stage {stage.id!r}"
    yield _trail(way)


def _care_plan(decision: Decision, following: str) -> str:
    if following:
        return f"CarePlan: stage {decision.stage!r} completed, stage {following!r} in progress"
    if decision.kind == "discharge":
        return "CarePlan and its last stage completed"
    return f"CarePlan: active, stage {decision.stage!r} in progress"


def _trail(way: Route) -> str:
    named = "naming who signed and the readings the check rests on"
    return f"Provenance {named}" if way.provenance else "no Provenance: who signed stands in the ledger alone"


def _ways(way: Route, *, decided: bool) -> Iterator[str]:
    """How it goes, a sentence a rung."""
    if way.together:
        yield "all but Provenance as one transaction" if decided else "as one transaction"
    elif way.medium == "resources":
        yield (
            "one after another, the CarePlan being the commit point"
            if decided
            else "one after another, the CarePlan last"
        )
    if way.make == "client-id":
        yield "created under ids of ours, so that no repetition can double anything"
    elif way.make == "search":
        yield "created after a search that finds none: no other bridge may write for this patient at the same moment"
    if way.find == "ledger":
        yield "the server drops our identifiers: what is ours is known by this ledger; keep it"
    if way.guard == "none" and decided and way.medium == "resources":
        yield "updates without a guard, as the endpoint file allows: what someone else writes in the same moment is lost"


def _recorded(medium: Medium) -> str:
    kind = RESOURCES[medium]
    more = " of our own, which is never read as a measurement" if kind == "Observation" else ""
    return f"one {kind}{more} with the signed decision in words; the server takes no CarePlan that could be kept up to date"


def _parked(name: str) -> str:
    return (
        f"{name} takes nothing that could hold the decision: once signed it is parked, a sheet says what to enter by hand, and a "
        "named person confirms it"
    )
