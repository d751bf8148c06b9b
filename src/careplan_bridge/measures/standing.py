"""Does an entry count at all: its status, what modifies it, and whom it is about."""

from careplan_bridge.measures.loose import Json, member, objects, text
from careplan_bridge.measures.refusal import Refused

_FINAL = frozenset({"final", "amended", "corrected", "preliminary"})
_VOID = frozenset({"entered-in-error", "cancelled"})


def check_standing(observation: Json) -> None:
    """Raises Refused for what is withdrawn, not final, or changed by an extension nobody here knows.

    A server may strip a withdrawn entry down to its id and status, so status comes first.
    """
    status = text(observation.get("status"))
    if status in _VOID:
        raise Refused(status)
    check_modifiers(observation)
    if status is None:
        raise Refused("status-missing")
    if status not in _FINAL:
        raise Refused("status-not-final", status=status)


def check_modifiers(element: Json) -> None:
    """Implicit rules and modifier extensions may turn the meaning round; none is known here."""
    if member(element, "implicitRules") is not None:
        raise Refused("unknown-modifier", url="implicitRules")
    for extension in objects(member(element, "modifierExtension")):
        raise Refused("unknown-modifier", url=text(extension.get("url")) or "without a url")
    if member(element, "modifierExtension") is not None:
        raise Refused("unknown-modifier", url="unreadable")


def patient_fault(subject: str | None, patient: str | None) -> Refused | None:
    """What is wrong if the entry is not about this patient (a reference such as Patient/1); nothing if no patient is asked for."""
    if patient is None:
        return None
    if subject is None:
        return Refused("patient-missing")
    return None if type_and_id(subject) == type_and_id(patient) else Refused("other-patient")


def type_and_id(reference: str) -> str:
    """`Patient/1`: servers answer with relative, absolute and versioned references to the same patient."""
    return "/".join(reference.partition("/_history/")[0].split("/")[-2:])
