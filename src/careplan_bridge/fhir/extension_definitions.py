"""The StructureDefinitions of every extension we use. They belong to no clinic, so their version is the bridge's own."""

from dataclasses import dataclass

from careplan_bridge.fhir.definitions import head
from careplan_bridge.fhir.elements import Element, Resource
from careplan_bridge.fhir.extension_elements import Part, differential, snapshot
from careplan_bridge.fhir.naming import type_name
from careplan_bridge.model import fhir_names as names

VERSION = "1.0.0"  # of the extensions; it changes when one of them does
PUBLISHER = "careplan-bridge"
_EXTENSION = "http://hl7.org/fhir/StructureDefinition/Extension"
_MANY = "*"


@dataclass(frozen=True, slots=True)
class Defined:
    """One extension. `places` are element paths, or URLs of extensions, that it may stand in."""

    url: str
    title: str
    says: str
    places: tuple[str, ...]
    types: tuple[str, ...] = ()
    parts: tuple[Part, ...] = ()


_BOUNDS = (
    Part("low", "The lower bound", ("Quantity", "string")),
    Part("high", "The upper bound", ("Quantity", "string")),
    Part("lowIncluded", "Whether the lower bound itself is within; if absent, it is", ("boolean",)),
    Part("highIncluded", "Whether the upper bound itself is within; if absent, it is", ("boolean",)),
)
_INNER = Part("condition", "A condition within this one", nested=names.CONDITION_EXTENSION, most=_MANY)
_QUALIFIER = Part("qualifier", "Side and qualifiers", nested=names.MEASURE_QUALIFIER_EXTENSION, most=_MANY)

DEFINED = (
    Defined(
        names.MEASURE_QUALIFIER_EXTENSION,
        "Measure qualifier",
        "A qualifier of a clinical measure (movement, position, muscle, speed), or its side: what makes two values comparable.",
        (
            "Observation",
            "Observation.component",
            "Goal.target",
            "PlanDefinition.goal.target",
            "Questionnaire.item",
            names.CONDITION_EXTENSION,
        ),
        parts=(
            Part(names.QUALIFIER_NAME, "The qualifier's name, or side", ("string", "code"), least=1),
            Part(names.QUALIFIER_VALUE, "Its value", ("string", "code", "Quantity"), least=1),
        ),
    ),
    Defined(
        names.CRITERION_EXTENSION,
        "Criterion",
        "The whole of a criterion of a staged protocol; a target can say only part of it.",
        ("PlanDefinition.goal", "Goal"),
        parts=(
            Part("id", "The criterion's id, unique within its stage", ("string",), least=1),
            Part("noOlderThan", "How old a reading may be", ("Duration",)),
            Part("expectedBy", "Days after surgery by which it is expected to be met", ("Duration",)),
            Part("callSurgeonBy", "Days after surgery from which the surgeon is called", ("Duration",)),
            Part(
                "accepts", "A caveat of a reading that does not weaken it for this criterion", ("string",), most=_MANY
            ),
            Part("condition", "What has to hold", nested=names.CONDITION_EXTENSION, least=1),
        ),
    ),
    Defined(
        names.CONDITION_EXTENSION,
        "Condition",
        "A statement about readings, time or findings; conditions nest. On an activity not to be performed: what is allowed.",
        (names.CRITERION_EXTENSION, names.CONDITION_EXTENSION, "CarePlan.activity.detail", "ActivityDefinition"),
        parts=(
            Part(
                "kind",
                "threshold, other-side, change, time, finding, all-of, any-of, at-least-of, first-done-of",
                ("code",),
                least=1,
            ),
            Part("measure", "What is measured", ("CodeableConcept",)),
            _QUALIFIER,
            *_BOUNDS,
            Part("visitsInARow", "On how many visits with an entry in a row", ("positiveInt",)),
            Part("index", "Limb symmetry index in per cent", parts=_BOUNDS),
            Part("difference", "Involved minus uninvolved side", parts=_BOUNDS),
            Part("since", "The reading that a change is counted from", ("string",)),
            Part("atLeast", "Time since surgery", ("Duration",)),
            Part("surgery", "Which surgery; if absent, the one that days count from", ("string",)),
            Part("finding", "A clinician's finding", ("CodeableConcept",)),
            Part("expected", "present or absent", ("code",)),
            Part("count", "How many of the conditions within have to hold", ("positiveInt",)),
            Part("notBefore", "Days after surgery from which this alternative may be done", ("Duration",)),
            Part("needs", "The device that this alternative needs", ("string",)),
            _INNER,
        ),
    ),
    Defined(
        names.WINDOW_EXTENSION,
        "Window",
        "When a stage or restriction holds, in days after surgery or as dates: its first day, the first day after its end, and the "
        "first day on which advance may be decided.",
        ("PlanDefinition.action", "ActivityDefinition", "CarePlan.activity.detail"),
        parts=(
            Part("from", "The first day", ("Duration", "date")),
            Part("before", "The first day after its end", ("Duration", "date")),
            Part("earliestAdvance", "The first day on which advance may be decided", ("Duration", "date")),
        ),
    ),
    Defined(
        names.LIFTED_BY_EXTENSION,
        "Lifted by",
        "A criterion that has to be met before a clinician may lift this precaution: in a plan the identifier of its Goal, in a "
        "protocol the id of the goal in the PlanDefinition.",
        ("CarePlan.activity.detail", "ActivityDefinition"),
        types=("Identifier", "string"),
    ),
    Defined(
        names.WHEN_PERFORMED_EXTENSION,
        "When performed",
        "This holds only where the surgery included what is named here.",
        ("ActivityDefinition",),
        types=("string",),
    ),
    Defined(
        names.SIGNATURE_EXTENSION,
        "Signature",
        "The roles that have to sign a kind of decision.",
        ("PlanDefinition",),
        parts=(
            Part("decision", "advance or discharge", ("code",), least=1),
            Part("role", "A role, as the case gives it to a person", ("string",), least=1, most=_MANY),
        ),
    ),
    Defined(
        names.VERSION_USED_EXTENSION,
        "Version used",
        "The version of the resource that was used: servers may strip it from the reference. "
        "Where the source gave no version, sha256: and the digest of its content.",
        ("Reference",),
        types=("string",),
    ),
)


def extension_definitions() -> tuple[Resource, ...]:
    return tuple(_definition(defined) for defined in DEFINED)


def _definition(defined: Defined) -> Resource:
    name = defined.url.rsplit("/", 1)[-1]
    start = head(
        "StructureDefinition",
        name,
        defined.url,
        VERSION,
        type_name(name),
        PUBLISHER,
        title=defined.title,
        description=defined.says,
    )
    whole = Part(defined.url, defined.title, defined.types, most=_MANY, parts=defined.parts)
    return {
        **start,
        "fhirVersion": "4.0.1",
        "kind": "complex-type",
        "abstract": False,
        "context": [_context(place) for place in defined.places],
        "type": "Extension",
        "baseDefinition": _EXTENSION,
        "derivation": "constraint",
        "snapshot": {"element": snapshot(whole, defined.says)},
        "differential": {"element": differential(whole, defined.says)},
    }


def _context(place: str) -> Element:
    return {"type": "extension" if place.startswith("http") else "element", "expression": place}
