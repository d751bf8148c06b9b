"""A protocol as PlanDefinition: criteria as goals, stages as actions below one wrapper, each after the end of the one before.

No start or stop conditions: another engine would obey them, and treats what it can't tell as false.
"""

from collections.abc import Iterator, Sequence

from careplan_bridge.fhir.activity_definitions import exercise_url, precaution_url, restriction_url, window_extension
from careplan_bridge.fhir.conditions import criterion_extension
from careplan_bridge.fhir.definitions import Source, patients
from careplan_bridge.fhir.elements import Element, Resource, compound, concept, extension, filled, markdown
from careplan_bridge.fhir.naming import element_id
from careplan_bridge.fhir.narrative import cautions, narrative
from careplan_bridge.fhir.plan_resources import stage_description
from careplan_bridge.fhir.targets import targets
from careplan_bridge.model import fhir_names as names
from careplan_bridge.model.criterion import Criterion
from careplan_bridge.model.protocol import Protocol, Stage

STAGES = "stages"  # the wrapper's id; a stage keeps its own


def plan_definition(source: Source) -> Resource:
    """One for each version of a protocol; its url is the protocol's."""
    protocol = source.protocol
    head = source.of_protocol(
        "PlanDefinition",
        protocol.url,
        title=protocol.title,
        description=f"{protocol.title}. {cautions(protocol.notice)}",
    )
    first = {name: head[name] for name in ("resourceType", "id")}
    return filled({
        **first,
        "text": _narrative(protocol),
        "extension": list(_signatures(protocol)),
        **{name: value for name, value in head.items() if name != "text"},
        "type": concept(names.PLAN_DEFINITION_TYPE, "clinical-protocol"),
        "subjectCodeableConcept": patients(),
        "usage": markdown(_usage(protocol)),
        "goal": [_goal(source, stage, criterion) for stage in protocol.stages for criterion in stage.criteria],
        "action": [_wrapper(source)],
    })  # fmt: skip


def _signatures(protocol: Protocol) -> Iterator[Element]:
    for decision, roles in protocol.signatures.items():
        parts = [extension("decision", valueCode=decision), *(extension("role", valueString=role) for role in roles)]
        yield compound(names.SIGNATURE_EXTENSION, parts)


def _usage(protocol: Protocol) -> str:
    asked = " ".join(f"{flag.ask} If so: {flag.act}." for flag in protocol.red_flags)
    return f"Laterality: {protocol.laterality}." + (f" Red flags, asked at each visit: {asked}" if asked else "")


def _goal(source: Source, stage: Stage, criterion: Criterion) -> Element:
    """A due date is left out: R4 counts it from the goal's start, and ours is counted from the surgery (in the extension)."""
    return filled({
        "id": element_id(stage.id, criterion.id),
        "extension": [criterion_extension(criterion, source.words)],
        "category": concept(names.GOAL_CATEGORY, "physiotherapy"),
        "description": {"text": criterion.says},
        "target": targets(criterion.condition, source.words),
    })  # fmt: skip


def _wrapper(source: Source) -> Element:
    stages = source.protocol.stages
    return {
        "id": STAGES,
        "title": "Stages",
        "groupingBehavior": "logical-group",
        "selectionBehavior": "all",
        "requiredBehavior": "must",
        "action": [_stage(source, stages, place) for place in range(len(stages))],
    }


def _stage(source: Source, stages: Sequence[Stage], place: int) -> Element:
    stage = stages[place]
    after = [{"actionId": stages[place - 1].id, "relationship": "after-end"}] if place else []
    return filled({
        "id": stage.id,
        "extension": [window_extension(stage.window)],
        "prefix": str(place + 1),
        "title": stage.title,
        "description": stage_description(stage),
        "code": [concept(source.protocol.url + names.STAGE_CODE_SYSTEM, stage.id, display=stage.title)],
        "goalId": [element_id(stage.id, criterion.id) for criterion in stage.criteria],
        "relatedAction": after,
        "groupingBehavior": "logical-group",
        "action": list(_activities(source.protocol, stage)),
    })  # fmt: skip


def _activities(protocol: Protocol, stage: Stage) -> Iterator[Element]:
    for restriction in stage.restrictions:
        yield _activity(
            f"restriction.{restriction.id}", restriction.says, restriction_url(protocol, restriction), protocol, "must"
        )
    for precaution in stage.precautions:
        yield _activity(
            f"precaution.{precaution.id}", precaution.text, precaution_url(protocol, precaution), protocol, "must"
        )
    for exercise in stage.exercises:
        yield _activity(
            f"{stage.id}.{exercise.id}", exercise.name, exercise_url(protocol, stage, exercise), protocol, "could"
        )


def _activity(name: str, title: str, url: str, protocol: Protocol, required: str) -> Element:
    return {
        "id": element_id(name),
        "title": title,
        "requiredBehavior": required,
        "definitionCanonical": f"{url}|{protocol.version}",
    }


def _narrative(protocol: Protocol) -> Element:
    stages = [(f"Stage {stage.title}: criteria", (one.says for one in stage.criteria)) for stage in protocol.stages]
    return narrative(protocol.title, [cautions(protocol.notice), _usage(protocol)], stages)
