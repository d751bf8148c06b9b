"""What is asked and measured at a visit: red flags, findings, and each measure with the side and qualifiers a criterion names."""

from collections.abc import Iterator

from careplan_bridge.fhir.code_systems import FINDING_VALUES, findings
from careplan_bridge.fhir.definitions import Source
from careplan_bridge.fhir.elements import Element, Resource, coding, extension, filled
from careplan_bridge.fhir.narrative import cautions
from careplan_bridge.fhir.qualifiers import qualifier_extensions
from careplan_bridge.model import fhir_names as names
from careplan_bridge.model.criterion import (
    AllOf,
    AnyOf,
    AtLeastOf,
    Change,
    Condition,
    FirstDoneOf,
    Measured,
    OtherSide,
    WithinBounds,
)
from careplan_bridge.model.digest import digest
from careplan_bridge.model.measure import Measure
from careplan_bridge.model.protocol import Protocol

PATH = "/visit"
UNIT_EXTENSION = "http://hl7.org/fhir/StructureDefinition/questionnaire-unitOption"


def questionnaire(source: Source) -> Resource:
    """One for each version of a protocol, in three groups; an empty one is left out."""
    protocol = source.protocol
    head = source.of_protocol(
        "Questionnaire",
        protocol.url + PATH,
        "visit",
        title=f"Visit: {protocol.title}",
        description=f"What the criteria, restrictions and red flags of this protocol ask for. {cautions(protocol.notice)}",
    )
    groups = (
        ("red-flags", "Red flags", [_asked(source, flag.id, flag.ask) for flag in protocol.red_flags]),
        ("findings", "Findings", [_asked(source, finding, text) for finding, text in findings(protocol).items()]),
        ("measures", "Measures", [_measure(source, measured) for measured in _named(protocol)]),
    )
    items = [{"linkId": link, "text": text, "type": "group", "item": inner} for link, text, inner in groups if inner]
    return {**head, "subjectType": ["Patient"], "item": items}


def _asked(source: Source, finding: str, text: str) -> Element:
    system = source.clinic.base + names.LEVEL_CODE_SYSTEM
    return {
        "linkId": f"finding.{finding}",
        "code": [coding(source.protocol.url + names.FINDING_CODE_SYSTEM, finding)],
        "text": text,
        "type": "choice",
        "answerOption": [{"valueCoding": coding(system, value, value)} for value in FINDING_VALUES],
    }


def _measure(source: Source, measured: Measured) -> Element:
    measure = source.catalogue.measures[measured.measure]
    return filled({
        "extension": [*qualifier_extensions(measure, measured.qualifiers, measured.side), *_unit(measure)],
        "linkId": _link(measured),
        "code": [coding(source.clinic.base + names.MEASURE_CODE_SYSTEM, measure.id, measure.term)],
        "text": _text(measure, measured),
        "type": "quantity" if measure.unit else "choice",
        "answerOption": [{"valueCoding": _level(source, level)} for level in measure.levels],
    })  # fmt: skip


def _level(source: Source, level: str) -> Element:
    return coding(source.clinic.base + names.LEVEL_CODE_SYSTEM, level, level)


def _unit(measure: Measure) -> list[Element]:
    return [extension(UNIT_EXTENSION, valueCoding=coding(names.UCUM, measure.unit))] if measure.unit else []


def _link(measured: Measured) -> str:
    """Stable, and short whatever the qualifiers are."""
    mark = f".{digest(measured.qualifiers)[:8]}" if measured.qualifiers else ""
    return f"measure.{measured.measure}.{measured.side or 'no-side'}{mark}"


def _text(measure: Measure, measured: Measured) -> str:
    said = [f"{name} {value}" for name, value in sorted(measured.qualifiers.items())]
    said += [f"{measured.side} side"] if measured.side else []
    return f"{measure.term} ({', '.join(said)})" if said else measure.term


def _named(protocol: Protocol) -> list[Measured]:
    """Everything that a criterion or restriction is about, each once, in order of appearance."""
    found: dict[str, Measured] = {}
    for stage in protocol.stages:
        restricted = (restriction.measured for restriction in stage.restrictions)
        asked = (measured for criterion in stage.criteria for measured in _in(criterion.condition))
        for measured in (*restricted, *asked):
            found.setdefault(_link(measured), measured)
    return list(found.values())


def _in(condition: Condition) -> Iterator[Measured]:
    match condition:
        case WithinBounds() | Change():
            yield condition.measured
        case OtherSide():
            yield from (_on(condition.measured, side) for side in ("involved", "uninvolved"))
        case AllOf() | AnyOf() | AtLeastOf():
            for part in condition.conditions:
                yield from _in(part)
        case FirstDoneOf():
            for rung in condition.alternatives:
                yield from _in(rung.condition)
        case _:
            return


def _on(measured: Measured, side: str) -> Measured:
    return Measured(measure=measured.measure, side=side, qualifiers=measured.qualifiers)
