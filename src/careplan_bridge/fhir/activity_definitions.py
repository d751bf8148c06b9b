"""Sample exercises, restrictions and precautions of a protocol, each as an ActivityDefinition.

R4 actions have no word for what must not be done; ActivityDefinition.doNotPerform has.
"""

from collections.abc import Iterator

from careplan_bridge.fhir.conditions import limit_extension
from careplan_bridge.fhir.definitions import Source, patients
from careplan_bridge.fhir.elements import Element, Resource, coding, compound, days, extension, filled
from careplan_bridge.fhir.naming import element_id
from careplan_bridge.fhir.plan_resources import exercise_words
from careplan_bridge.model import fhir_names as names
from careplan_bridge.model.criterion import Precaution, Restriction
from careplan_bridge.model.protocol import Exercise, Protocol, Stage, Window


def activity_definitions(source: Source) -> Iterator[Resource]:
    """In the order of the stages: restrictions, precautions, exercises."""
    for stage in source.protocol.stages:
        yield from (_restriction(source, restriction) for restriction in stage.restrictions)
        yield from (_precaution(source, stage, precaution) for precaution in stage.precautions)
        yield from (_exercise(source, stage, exercise) for exercise in stage.exercises)


def exercise_url(protocol: Protocol, stage: Stage, exercise: Exercise) -> str:
    return f"{protocol.url}/exercise/{stage.id}.{exercise.id}"


def restriction_url(protocol: Protocol, restriction: Restriction) -> str:
    return f"{protocol.url}/restriction/{restriction.id}"


def precaution_url(protocol: Protocol, precaution: Precaution) -> str:
    return f"{protocol.url}/precaution/{precaution.id}"


def window_extension(window: Window) -> Element:
    """Days after surgery: the first day, the first day after the end, the first day on which advance may be decided."""
    parts = [("from", window.from_day), ("before", window.before_day), ("earliestAdvance", window.earliest_advance)]
    return compound(
        names.WINDOW_EXTENSION, [extension(name, valueDuration=days(at)) for name, at in parts if at is not None]
    )


def _exercise(source: Source, stage: Stage, exercise: Exercise) -> Resource:
    head = source.of_protocol(
        "ActivityDefinition",
        exercise_url(source.protocol, stage, exercise),
        "exercise",
        stage.id,
        exercise.id,
        title=exercise.name,
        description=f"A sample exercise: {exercise_words(exercise)}.",
    )
    return filled({**head, **_activity({"text": exercise.name})})


def _restriction(source: Source, restriction: Restriction) -> Resource:
    head = source.of_protocol(
        "ActivityDefinition",
        restriction_url(source.protocol, restriction),
        "restriction",
        restriction.id,
        title=restriction.says,
        description=f"Not to be exceeded: {restriction.says}{_only_where(restriction)}.",
    )
    span = Window(from_day=restriction.from_day, before_day=restriction.before_day)
    extensions = [limit_extension(restriction, source.words), window_extension(span), *_when_performed(restriction)]
    code = coding(source.protocol.url + names.RESTRICTION_CODE_SYSTEM, restriction.id)
    return _extended(head, extensions, {"coding": [code], "text": restriction.says})


def _precaution(source: Source, stage: Stage, precaution: Precaution) -> Resource:
    lifted = [criterion.says for criterion in stage.criteria if criterion.id in precaution.lifted_by]
    until = f", until a clinician lifts it once these are met: {'; '.join(lifted)}" if lifted else ""
    head = source.of_protocol(
        "ActivityDefinition",
        precaution_url(source.protocol, precaution),
        "precaution",
        precaution.id,
        title=precaution.text,
        description=f"Precaution: {precaution.text}{until}{_only_where(precaution)}.",
    )
    extensions = [
        extension(names.LIFTED_BY_EXTENSION, valueString=element_id(stage.id, one)) for one in precaution.lifted_by
    ]
    if precaution.before_day is not None:
        extensions.append(window_extension(Window(from_day=stage.window.from_day, before_day=precaution.before_day)))
    code = coding(source.protocol.url + names.PRECAUTION_CODE_SYSTEM, precaution.id)
    return _extended(head, [*extensions, *_when_performed(precaution)], {"coding": [code], "text": precaution.text})


def _extended(head: Resource, extensions: list[Element], code: Element) -> Resource:
    first = {name: head[name] for name in ("resourceType", "id", "text")}
    return filled({**first, "extension": extensions, **head, **_activity(code), "doNotPerform": True})


def _activity(code: Element) -> Element:
    return {"subjectCodeableConcept": patients(), "kind": "ServiceRequest", "code": code, "intent": "plan"}


def _only_where(part: Restriction | Precaution) -> str:
    return f" (where the surgery included {part.when_performed})" if part.when_performed else ""


def _when_performed(part: Restriction | Precaution) -> list[Element]:
    return [extension(names.WHEN_PERFORMED_EXTENSION, valueString=part.when_performed)] if part.when_performed else []
