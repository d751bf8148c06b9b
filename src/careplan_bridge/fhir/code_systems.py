"""Our own codes: measures and levels of the catalogue; stages, restrictions, precautions and findings of a protocol."""

from collections.abc import Iterable, Iterator

from careplan_bridge.fhir.definitions import Source
from careplan_bridge.fhir.elements import Element, Resource, filled
from careplan_bridge.model import fhir_names as names
from careplan_bridge.model.criterion import AllOf, AnyOf, AtLeastOf, Condition, FindingIs
from careplan_bridge.model.measure import Measure, Qualifier
from careplan_bridge.model.protocol import Protocol

FINDING_VALUES = ("present", "absent", "not-asked")


def code_systems(source: Source) -> tuple[Resource, ...]:
    """Measures, levels, stages, restrictions, precautions, findings; one without codes is left out."""
    protocol = source.protocol
    of_stages = protocol.stages
    systems = (
        _measures(source),
        _levels(source),
        _of_protocol(source, names.STAGE_CODE_SYSTEM, "stages", (_concept(one.id, one.title) for one in of_stages)),
        _of_protocol(
            source,
            names.RESTRICTION_CODE_SYSTEM,
            "restrictions",
            (_concept(one.id, one.says) for stage in of_stages for one in stage.restrictions),
        ),
        _of_protocol(
            source,
            names.PRECAUTION_CODE_SYSTEM,
            "precautions",
            (_concept(one.id, one.text) for stage in of_stages for one in stage.precautions),
        ),
        _of_protocol(source, names.FINDING_CODE_SYSTEM, "findings", _findings(protocol)),
    )
    return tuple(system for system in systems if system["concept"])


def findings(protocol: Protocol) -> dict[str, str]:
    """Every finding that a criterion asks for, by id, with its words; red flags are not among them."""
    return {
        found.finding: found.text
        for stage in protocol.stages
        for criterion in stage.criteria
        for found in _in(criterion.condition)
    }


def _measures(source: Source) -> Resource:
    head = source.of_catalogue(
        "CodeSystem",
        names.MEASURE_CODE_SYSTEM,
        "measure",
        title=f"Clinical measures of {source.clinic.name}",
        description="What is measured. A code carries neither side nor movement, position or other qualifiers; "
        "they stand beside it in the extension measure-qualifier.",
    )
    concepts = [
        _concept(measure.id, measure.term, _definition(measure)) for measure in source.catalogue.measures.values()
    ]
    return _system(head, concepts)


def _definition(measure: Measure) -> str:
    unit = f"in {measure.unit} (UCUM)" if measure.unit else f"a level of: {', '.join(measure.levels)}"
    sides = {
        "required": "of one side",
        "optional": "of one side or none",
        "both": "of both sides together",
        "none": "without side",
    }
    qualified = f"; qualifiers: {', '.join(map(_qualifier, measure.qualifiers))}" if measure.qualifiers else ""
    return f"{measure.term}, {unit}, {sides[measure.side]}{qualified}."


def _qualifier(qualifier: Qualifier) -> str:
    return f"{qualifier.name} (must be known)" if qualifier.required else qualifier.name


def _levels(source: Source) -> Resource:
    head = source.of_catalogue(
        "CodeSystem",
        names.LEVEL_CODE_SYSTEM,
        "level",
        title=f"Levels of clinical measures of {source.clinic.name}",
        description="Levels by name. The same name stands in several scales; which scale is meant, the measure says.",
    )
    scales: dict[str, list[str]] = {name: ["finding"] for name in FINDING_VALUES}
    for measure in source.catalogue.measures.values():
        for level in measure.levels:
            scales.setdefault(level, []).append(measure.id)
    return _system(head, [_concept(level, level, f"A level of: {', '.join(ids)}.") for level, ids in scales.items()])


def _of_protocol(source: Source, path: str, what: str, concepts: Iterable[Element]) -> Resource:
    protocol = source.protocol
    head = source.of_protocol(
        "CodeSystem",
        protocol.url + path,
        what,
        title=f"{what.capitalize()} of {protocol.title}",
        description=f"The {what} that this protocol names.",
    )
    return _system(head, list(concepts))


def _system(head: Resource, concepts: list[Element]) -> Resource:
    return {**head, "caseSensitive": True, "content": "complete", "count": len(concepts), "concept": concepts}


def _concept(code: str, display: str, definition: str | None = None) -> Element:
    return filled({"code": code, "display": display, "definition": definition or display})


def _findings(protocol: Protocol) -> Iterator[Element]:
    yield from (_concept(flag.id, flag.ask, f"Red flag. If present: {flag.act}.") for flag in protocol.red_flags)
    yield from (_concept(finding, text) for finding, text in findings(protocol).items())


def _in(condition: Condition) -> Iterator[FindingIs]:
    if isinstance(condition, FindingIs):
        yield condition
    elif isinstance(condition, AllOf | AnyOf | AtLeastOf):
        for part in condition.conditions:
            yield from _in(part)
