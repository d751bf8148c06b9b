"""Who a plan is about on the server that it is written to: still the same person, and, where readings lie elsewhere, which Patient there.

People are never matched by name. Where two servers are in play, either both keep one identifier of the Patient, or a person says which
Patient it is; both have to be free of contradiction.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from msgspec.structs import replace

from careplan_bridge.endpoint.http import Client
from careplan_bridge.endpoint.identity import identity_changed, replaced
from careplan_bridge.endpoint.outcomes import Refused
from careplan_bridge.endpoint.read import AnotherResource, Missing, read
from careplan_bridge.endpoint.search import search
from careplan_bridge.endpoint.untrusted import an_object, objects, text
from careplan_bridge.errors import WriteConflict, WrongUse
from careplan_bridge.ledger.records import Binding
from careplan_bridge.model.plan import Plan
from careplan_bridge.writeback.identity import Resource, reference_of

_SAY = "name the Patient there with `push PLAN --patient Patient/ID`"


class IdentityChanged(WriteConflict):
    """The record says that the Patient of a plan is no longer the one."""


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """A plan whose readings lie on another server (its base) than it is written to, where it is about this Patient."""

    patient: str
    readings: str


def refuse_changed_identity(client: Client, patient: str) -> None:
    """Raise IdentityChanged where the Patient was merged, is gone or not active; Refused where it can't be read."""
    if changed := identity_changed(client, patient):
        raise IdentityChanged(
            f"identity changed: on {client.endpoint.name}, {changed}; nothing was written. Settle in the record which Patient the plan "
            "is about, then `respond PLAN identity Patient/ID`"
        )


def is_out_of_use(client: Client, patient: str) -> bool:
    """Is the Patient there, and merged into another or not active?"""
    try:
        stored = read(client, patient)
    except (AnotherResource, Refused):
        return False
    return not isinstance(stored, Missing) and bool(replaced(stored))


def bound(binding: Binding) -> Elsewhere | None:
    """What was found out at the first push; None where one server does all."""
    return Elsewhere(binding.patient, binding.readings) if binding.readings else None


def as_written(plan: Plan, elsewhere: Elsewhere | None) -> Plan:
    """The plan with the Patient of the server that it is written to.

    The case's references to clinicians hold where its Patient does: on another server they would name somebody else.
    """
    if elsewhere is None:
        return plan
    people = tuple(replace(person, resource=None) for person in plan.people)
    return replace(plan, patient=elsewhere.patient, people=people)


def patient_there(readings: Client, record: Client, patient: str, said: str | None) -> str:
    """The Patient on `record` who is this Patient on `readings`: as a person `said`, else by the identifier that both servers keep.

    Raises WrongUse where neither tells, or what they tell is contradictory; IdentityChanged where one of the two is not to be used.
    """
    refuse_changed_identity(readings, patient)
    system = readings.endpoint.roles.patient_identifier
    here = _resource(readings, patient)
    there = _by_word(record, said) if said else _by_identifier(record, here, system, readings.endpoint.name)
    refuse_changed_identity(record, reference_of(there))
    if contradiction := next(_contradictions(here, there, system), ""):
        raise WrongUse(
            f"the Patients on {readings.endpoint.name} and {record.endpoint.name} have another {contradiction}; nothing was written"
        )
    return reference_of(there)


def _by_word(record: Client, said: str) -> Resource:
    refuse_changed_identity(record, said)
    return _resource(record, said)


def _by_identifier(record: Client, here: Resource, system: str | None, readings: str) -> Resource:
    name = record.endpoint.name
    if system is None:
        raise WrongUse(
            f"which Patient of {name} the plan is about is not known; {_SAY}, or name an identifier that both servers keep as "
            "`patient_identifier` in `[roles]`"
        )
    values = _values(here, system)
    if len(values) != 1:
        raise WrongUse(
            f"the Patient on {readings} has {len(values) or 'no'} identifiers of `patient_identifier`; {_SAY}"
        )
    found = search(record, "Patient", [("identifier", f"{system}|{values.pop()}")])
    if not found.complete or len(found.resources) != 1:
        seen = f"finds {len(found.resources) or 'no'} Patients" if found.complete else f"can't tell ({found.why})"
        raise WrongUse(f"{name} {seen} by `patient_identifier`, and it takes exactly one; {_SAY}")
    return found.resources[0]


def _resource(client: Client, reference: str) -> Resource:
    stored = read(client, reference)
    if isinstance(stored, Missing):  # it was there a moment ago
        raise IdentityChanged(
            f"identity changed: on {client.endpoint.name}, the Patient {stored.value}; nothing was written"
        )
    return stored.resource


def _values(patient: Resource, system: str) -> set[str]:
    """What stands under this system and is in use."""
    ours = (one for one in objects(patient.get("identifier")) if text(one, "system") == system)
    return {
        text(one, "value")
        for one in ours
        if text(one, "use") != "old" and not text(an_object(one.get("period")), "end")
    } - {""}


def _contradictions(here: Resource, there: Resource, system: str | None) -> Iterator[str]:
    """What speaks against their being one person, where both say something."""
    ours, theirs = (_values(one, system) if system else set[str]() for one in (here, there))
    if ours and theirs and not ours & theirs:
        yield "value under `patient_identifier`"
    if text(here, "birthDate") and text(there, "birthDate") and text(here, "birthDate") != text(there, "birthDate"):
        yield "date of birth"
