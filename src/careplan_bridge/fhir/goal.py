"""One Goal for each criterion of a stage. Its state is written by decisions only; see `progress`."""

from careplan_bridge.fhir.conditions import Vocabulary, criterion_extension
from careplan_bridge.fhir.elements import Element, Resource, concept, day, filled, markdown
from careplan_bridge.fhir.identities import goal_identifier, place
from careplan_bridge.fhir.narrative import cautions, narrative
from careplan_bridge.fhir.targets import targets
from careplan_bridge.model import fhir_names as names
from careplan_bridge.model.criterion import Criterion
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.protocol import Stage

OTHER = {"left": "right", "right": "left"}


def goal(plan: Plan, stage: Stage, criterion: Criterion) -> Resource:
    """As `planned`, without an achievement: what nobody judged is not written."""
    return filled({
        "resourceType": "Goal",
        "text": narrative(criterion.says, [_where(plan, stage), cautions(plan.protocol.notice)]),
        "extension": [criterion_extension(criterion, vocabulary(plan))],
        "identifier": [goal_identifier(plan, stage.id, criterion.id)],
        "lifecycleStatus": "planned",
        "category": [concept(names.GOAL_CATEGORY, "physiotherapy")],
        "description": {"text": criterion.says},
        "subject": {"reference": plan.patient},
        "startDate": day(plan.day_zero, stage.window.from_day),
        "target": _targets(plan, criterion),
        "note": [{"text": markdown(cautions(plan.protocol.notice))}],
    })  # fmt: skip


def goal_place(plan: Plan, stage: str, criterion: str) -> str:
    """The urn under which the Goal is created and the CarePlan names it."""
    return place("Goal", names.goal_value(plan.id, stage, criterion))


def vocabulary(plan: Plan) -> Vocabulary:
    return Vocabulary(base=plan.clinic.base, protocol=plan.protocol.url, facts=plan.facts)


def _targets(plan: Plan, criterion: Criterion) -> list[Element]:
    sides = {"involved": plan.side, "uninvolved": OTHER.get(plan.side, "uninvolved")}
    found = targets(criterion.condition, vocabulary(plan), sides)
    if criterion.expected_by is None:
        return found
    due = {"dueDate": day(plan.day_zero, criterion.expected_by)}
    return [{**target, **due} for target in found] or [due]


def _where(plan: Plan, stage: Stage) -> str:
    return f"{plan.protocol.title}, {plan.side} side, stage: {stage.title}."
