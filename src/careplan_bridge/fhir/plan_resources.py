"""A plan as CarePlan and Goals, as they are pushed: status draft, intent plan, nothing judged.

One activity a stage; restrictions and precautions are activities not to be performed. Those of the stage the person is in hold
from the surgery on, so they are in progress even while the plan is a draft; those of later stages are not started.
"""

from collections.abc import Iterable, Iterator, Mapping
from datetime import date

from careplan_bridge.fhir.conditions import limit_extension
from careplan_bridge.fhir.conformity import conforming
from careplan_bridge.fhir.elements import (
    Element,
    Resource,
    coding,
    compound,
    concept,
    day,
    extension,
    filled,
    markdown,
    period,
)
from careplan_bridge.fhir.goal import goal, goal_place, vocabulary
from careplan_bridge.fhir.identities import canonical, clinician, goal_identifier, identifier
from careplan_bridge.fhir.narrative import cautions, narrative
from careplan_bridge.model import fhir_names as names
from careplan_bridge.model.case import Order, Person, PrecautionOrder
from careplan_bridge.model.criterion import Precaution, Restriction
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.protocol import Exercise, Stage

__all__ = ["care_plan", "goals"]


def goals(plan: Plan, stage_id: str, *, us_core: bool = False) -> tuple[Resource, ...]:
    """One Goal a criterion of the stage, in the protocol's order. US Core asks for nothing more than they have."""
    del us_core
    stage = plan.stage(stage_id)
    return tuple(conforming(goal(plan, stage, criterion)) for criterion in stage.criteria)


def care_plan(plan: Plan, *, us_core: bool = False, goals: Mapping[str, str] | None = None) -> Resource:
    """The CarePlan of the plan as a draft. `goals`: the reference of each Goal of the current stage, by criterion id; without it,
    the places under which a Bundle creates them. `us_core` adds the category that US Core asks for.
    """
    stage = plan.current
    references = [(goals or {}).get(one.id) or goal_place(plan, stage.id, one.id) for one in stage.criteria]
    return conforming(filled({
        "resourceType": "CarePlan",
        "text": _narrative(plan),
        "identifier": [identifier(plan.clinic, names.PLAN_IDENTIFIER, plan.id)],
        "instantiatesCanonical": [canonical(plan)],
        "status": "draft",
        "intent": "plan",
        "category": [concept(names.US_CORE_CAREPLAN_CATEGORY, "assess-plan")] if us_core else [],
        "title": f"{plan.protocol.title}, {plan.side} side",
        "description": _description(plan),
        "subject": {"reference": plan.patient},
        "period": {"start": plan.day_zero.isoformat()},
        "author": clinician(plan.clinic, _author(plan)),
        "contributor": [clinician(plan.clinic, person) for person in plan.people if person != _author(plan)],
        "goal": [{"reference": reference} for reference in references],
        "activity": list(_activities(plan, references)),
        "note": [{"text": markdown(cautions(plan.protocol.notice))}, *(_order_note(plan, order) for order in plan.orders)],
    }))  # fmt: skip


def _author(plan: Plan) -> Person:
    """The therapist, who answers for the plan; where the case names none, the first person it names."""
    return next((person for person in plan.people if person.role == "therapist"), plan.people[0])


def _order_note(plan: Plan, order: Order) -> Element:
    by = plan.person(order.by)
    author = {"authorReference": clinician(plan.clinic, by)} if by else {}
    return {**author, "time": order.on.isoformat(), "text": markdown(f"Order {order.id}: {order.says}")}


def _activities(plan: Plan, references: Iterable[str]) -> Iterator[Element]:
    for stage in plan.stages:
        yield _stage(plan, stage, references if stage.id == plan.current.id else ())
    for stage in plan.stages:
        yield from (_restriction(plan, stage, restriction) for restriction in stage.restrictions)
        yield from (_precaution(plan, stage, precaution) for precaution in stage.precautions)


def _stage(plan: Plan, stage: Stage, references: Iterable[str]) -> Element:
    code = concept(plan.protocol.url + names.STAGE_CODE_SYSTEM, stage.id, display=stage.title, text=stage.title)
    return {
        "id": f"stage-{stage.id}",
        "detail": filled({
            "extension": [*_earliest(plan, stage)],
            "kind": "ServiceRequest",
            "code": code,
            "goal": [{"reference": reference} for reference in references],
            "status": "not-started",
            "scheduledPeriod": period(plan.day_zero, stage.window.from_day, stage.window.before_day),
            "description": stage_description(stage),
        }),
    }  # fmt: skip


def stage_description(stage: Stage) -> str:
    """Goals and sample exercises of a stage, as one text."""
    parts = [stage.title]
    parts += [f"Goals: {'; '.join(stage.goals)}"] if stage.goals else []
    parts += (
        [f"Sample exercises: {'; '.join(exercise_words(one) for one in stage.exercises)}"] if stage.exercises else []
    )
    return ". ".join(parts) + "."


def exercise_words(exercise: Exercise) -> str:
    """`Stationary cycling, 10 min (needs ergometer; instead: Seated heel slides)`."""
    beside = [f"needs {exercise.needs}"] if exercise.needs else []
    beside += [f"instead: {exercise.instead}"] if exercise.instead else []
    dose = f", {exercise.dose}" if exercise.dose else ""
    return f"{exercise.name}{dose}" + (f" ({'; '.join(beside)})" if beside else "")


def _earliest(plan: Plan, stage: Stage) -> Iterator[Element]:
    if stage.window.earliest_advance is not None:
        earliest = extension("earliestAdvance", valueDate=day(plan.day_zero, stage.window.earliest_advance))
        yield compound(names.WINDOW_EXTENSION, [earliest])


def _restriction(plan: Plan, stage: Stage, restriction: Restriction) -> Element:
    code = coding(plan.protocol.url + names.RESTRICTION_CODE_SYSTEM, restriction.id)
    end = restriction.before_day
    detail = {
        "extension": [limit_extension(restriction, vocabulary(plan))],
        "code": {"coding": [code], "text": restriction.says},
        "scheduledPeriod": period(plan.day_zero, restriction.from_day, end),
        "description": f"{restriction.says} ({_until(plan.day_zero, end)}).",
    }
    return _not_to_perform(plan, stage, f"restriction-{restriction.id}", detail)


def _precaution(plan: Plan, stage: Stage, precaution: Precaution) -> Element:
    system = names.ORDERED_PRECAUTION_SYSTEM if _is_ordered(plan, stage, precaution) else names.PRECAUTION_CODE_SYSTEM
    code = coding(plan.protocol.url + system, precaution.id)
    lifted_by = [goal_identifier(plan, stage.id, criterion) for criterion in precaution.lifted_by]
    detail = {
        "extension": [extension(names.LIFTED_BY_EXTENSION, valueIdentifier=one) for one in lifted_by],
        "code": {"coding": [code], "text": precaution.text},
        "scheduledPeriod": period(plan.day_zero, stage.window.from_day, precaution.before_day),
        "description": f"{precaution.text} ({_lifting(plan, stage, precaution)}).",
    }
    return _not_to_perform(plan, stage, f"precaution-{precaution.id}", detail)


def _not_to_perform(plan: Plan, stage: Stage, element_id: str, detail: Element) -> Element:
    status = "in-progress" if stage.id == plan.current.id else "not-started"
    return {
        "id": element_id,
        "detail": filled({"kind": "ServiceRequest", **detail, "status": status, "doNotPerform": True}),
    }


def _is_ordered(plan: Plan, stage: Stage, precaution: Precaution) -> bool:
    return any(
        isinstance(order.change, PrecautionOrder)
        and (order.change.stage, order.change.precaution) == (stage.id, precaution.id)
        for order in plan.orders
    )


def _until(day_zero: date, before_day: int | None) -> str:
    return "until the stage is left" if before_day is None else f"before {day(day_zero, before_day)}"


def _lifting(plan: Plan, stage: Stage, precaution: Precaution) -> str:
    wanted = [criterion.says for criterion in stage.criteria if criterion.id in precaution.lifted_by]
    until = "until a clinician lifts it"
    when = f" once these are met: {'; '.join(wanted)}" if wanted else ""
    since = f", not before {day(plan.day_zero, precaution.before_day)}" if precaution.before_day is not None else ""
    return until + when + since


def _description(plan: Plan) -> str:
    surgery = next(one for one in plan.surgeries if one.id == plan.surgery)
    also = f" with {', '.join(surgery.performed)}" if surgery.performed else ""
    return f"{surgery.procedure}{also}, {surgery.side} side, {surgery.on.isoformat()}. Plan revision {plan.revision}."


def _narrative(plan: Plan) -> Element:
    stages = [
        f"{stage.title}: {_span(plan, stage)}"
        for stage in plan.stages
    ]  # fmt: skip
    limits = [
        f"{one.says} ({_until(plan.day_zero, one.before_day)})" for stage in plan.stages for one in stage.restrictions
    ]
    avoid = [f"{one.text} ({_lifting(plan, stage, one)})" for stage in plan.stages for one in stage.precautions]
    return narrative(
        f"{plan.protocol.title}, {plan.side} side",
        [_description(plan), cautions(plan.protocol.notice)],
        [
            ("Stages", stages),
            (f"Criteria of the stage: {plan.current.title}", (one.says for one in plan.current.criteria)),
            ("Restrictions", limits),
            ("Precautions", avoid),
            ("Orders", (f"{order.on.isoformat()}: {order.says}" for order in plan.orders)),
            ("Red flags, asked at each visit", (f"{flag.ask} If so: {flag.act}." for flag in plan.red_flags)),
            ("Own goals", (own.text for own in plan.own_goals)),
        ],
    )


def _span(plan: Plan, stage: Stage) -> str:
    window = stage.window
    parts = [f"from {day(plan.day_zero, window.from_day)}"]
    parts += [f"before {day(plan.day_zero, window.before_day)}"] if window.before_day is not None else []
    parts += (
        [f"earliest advance {day(plan.day_zero, window.earliest_advance)}"]
        if window.earliest_advance is not None
        else []
    )
    return ", ".join(parts)
