"""The search parameters the sandbox knows: for each resource type, a name, how it compares, and where it looks."""

from dataclasses import dataclass
from enum import StrEnum
from functools import cache


class Compare(StrEnum):
    TOKEN = "token"  # noqa: S105 - FHIR's word for a coded value
    REFERENCE = "reference"
    DATE = "date"
    STRING = "string"
    URI = "uri"


@dataclass(frozen=True, slots=True)
class Parameter:
    """Paths are dotted element names below the resource; `target` keeps only references to that type."""

    name: str
    compare: Compare
    paths: tuple[str, ...]
    target: str = ""


def _token(name: str, *paths: str) -> Parameter:
    return Parameter(name, Compare.TOKEN, paths or (name,))


def _date(name: str, *paths: str) -> Parameter:
    return Parameter(name, Compare.DATE, paths or (name,))


def _reference(name: str, *paths: str, target: str = "") -> Parameter:
    return Parameter(name, Compare.REFERENCE, paths or (name,), target)


def _string(name: str, *paths: str) -> Parameter:
    return Parameter(name, Compare.STRING, paths or (name,))


def _uri(name: str, *paths: str) -> Parameter:
    return Parameter(name, Compare.URI, paths or (name,))


_SUBJECT = (_reference("subject"), _reference("patient", "subject", target="Patient"))
_PATIENT = (_reference("patient"),)
_CANONICAL = (_uri("url"), _token("version"), _token("status"), _string("name"), _string("title"))
_NAME = (_string("name", "name.family", "name.given", "name.text", "name.prefix", "name.suffix"),)

_BY_TYPE: dict[str, tuple[Parameter, ...]] = {
    "ActivityDefinition": _CANONICAL,
    "CarePlan": (
        *_SUBJECT,
        _token("status"),
        _token("intent"),
        _token("category"),
        _date("date", "period"),
        _uri("instantiates-canonical", "instantiatesCanonical"),
        _reference("goal"),
        _token("activity-code", "activity.detail.code"),
    ),
    "CodeSystem": _CANONICAL,
    "Communication": (*_SUBJECT, _token("status"), _date("sent")),
    "ConceptMap": _CANONICAL,
    "Condition": (*_SUBJECT, _token("code"), _token("category")),
    "Device": (*_PATIENT, _token("type"), _token("status")),
    "DocumentReference": (*_SUBJECT, _token("status"), _token("type"), _token("category"), _date("date")),
    "Encounter": (*_SUBJECT, _token("status"), _date("date", "period")),
    "Flag": (*_SUBJECT, _date("date", "period")),
    "Goal": (
        *_SUBJECT,
        _token("lifecycle-status", "lifecycleStatus"),
        _token("achievement-status", "achievementStatus"),
        _token("category"),
        _date("start-date", "startDate"),
        _date("target-date", "target.dueDate"),
    ),
    "Group": (_token("type"), _reference("member", "member.entity")),
    "Observation": (
        *_SUBJECT,
        _token("code"),
        _token("category"),
        _token("status"),
        _date("date", "effectiveDateTime", "effectivePeriod", "effectiveInstant", "effectiveTiming"),
        _token("method"),
        _reference("encounter"),
        _reference("performer"),
        _reference("has-member", "hasMember"),
        _reference("derived-from", "derivedFrom"),
    ),
    "Organization": (_string("name", "name", "alias"),),
    "Patient": (
        *_NAME,
        _string("family", "name.family"),
        _string("given", "name.given"),
        _date("birthdate", "birthDate"),
        _token("gender"),
    ),
    "PlanDefinition": (*_CANONICAL, _token("type")),
    "Practitioner": _NAME,
    "PractitionerRole": (_reference("practitioner"), _reference("organization")),
    "Procedure": (*_SUBJECT, _token("status"), _token("code"), _date("date", "performedDateTime", "performedPeriod")),
    "Provenance": (
        _reference("target"),
        _reference("patient", "target", target="Patient"),
        _date("recorded"),
        _reference("agent", "agent.who"),
    ),
    "Questionnaire": _CANONICAL,
    "QuestionnaireResponse": (*_SUBJECT, _token("status"), _date("authored"), _uri("questionnaire")),
    "RequestGroup": (*_SUBJECT, _token("status"), _token("intent")),
    "ServiceRequest": (*_SUBJECT, _token("status"), _token("intent"), _token("code"), _token("category")),
    "StructureDefinition": (*_CANONICAL, _uri("type"), _uri("base", "baseDefinition")),
    "Task": (
        _reference("subject", "for"),
        _reference("patient", "for", target="Patient"),
        _token("status"),
        _token("code"),
        _reference("based-on", "basedOn"),
    ),
    "ValueSet": _CANONICAL,
}

# R4 gives these no `identifier` element or no `identifier` parameter.
WITHOUT_IDENTIFIER = frozenset({"CapabilityStatement", "OperationOutcome", "Provenance"})


@cache
def parameters_of(resource_type: str) -> dict[str, Parameter]:
    """The parameters of a type by name, without those of every type (_id, _lastUpdated)."""
    identifier = () if resource_type in WITHOUT_IDENTIFIER else (_token("identifier"),)
    own = _BY_TYPE.get(resource_type, ())
    return {parameter.name: parameter for parameter in (*identifier, *own)}
