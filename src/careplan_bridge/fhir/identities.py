"""Who and what a plan's resources are about: identifiers, codes and logical references, the same in every run.

Clinicians, clinic and bridge are named by type, identifier and display, unless the case names an existing resource: a server may
refuse a literal reference to something it does not hold.
"""

from uuid import NAMESPACE_URL, uuid5

from careplan_bridge.fhir.elements import Element, reference
from careplan_bridge.model import fhir_names as names
from careplan_bridge.model.case import Person
from careplan_bridge.model.conventions import Clinic
from careplan_bridge.model.plan import Plan


def identifier(clinic: Clinic, system: str, value: str) -> Element:
    """A business identifier in one of the clinic's systems (names.PLAN_IDENTIFIER and its kind)."""
    return {"system": clinic.base + system, "value": value}


def goal_identifier(plan: Plan, stage: str, criterion: str) -> Element:
    return identifier(plan.clinic, names.GOAL_IDENTIFIER, names.goal_value(plan.id, stage, criterion))


def place(kind: str, name: str) -> str:
    """The address of a resource that is created within a Bundle: a urn that the same identity always gives."""
    return uuid5(NAMESPACE_URL, f"create {kind} {name}").urn


def canonical(plan: Plan) -> str:
    return f"{plan.protocol.url}|{plan.protocol.version}"


def clinician(clinic: Clinic, person: Person) -> Element:
    if person.resource:
        return {**reference(person.resource), "display": person.name}
    return {
        "type": "Practitioner",
        "identifier": identifier(clinic, names.PERSON_IDENTIFIER, person.id),
        "display": person.name,
    }


def organization(clinic: Clinic) -> Element:
    return {
        "type": "Organization",
        "identifier": {"system": names.URI_SYSTEM, "value": clinic.base},
        "display": clinic.name,
    }


def bridge(clinic: Clinic) -> Element:
    return {
        "type": "Device",
        "identifier": identifier(clinic, names.BRIDGE_IDENTIFIER, names.BRIDGE),
        "display": names.BRIDGE,
    }
