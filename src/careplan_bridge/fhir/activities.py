"""Finds the activities of a CarePlan that are ours: by system and code, never by their position."""

from collections.abc import Iterator
from dataclasses import dataclass

from careplan_bridge.errors import WriteConflict
from careplan_bridge.fhir.elements import Element, Resource, members
from careplan_bridge.model import fhir_names as names

_OURS = (
    names.STAGE_CODE_SYSTEM,
    names.RESTRICTION_CODE_SYSTEM,
    names.PRECAUTION_CODE_SYSTEM,
    names.ORDERED_PRECAUTION_SYSTEM,
)


@dataclass(frozen=True, slots=True)
class Activity:
    """`detail` is the part of the resource itself, so that a change of it changes the resource."""

    system: str
    code: str
    detail: Element

    @property
    def key(self) -> str:
        return f"{self.system}|{self.code}"


def our_activities(resource: Resource) -> list[Activity]:
    """Every activity that carries a code of a protocol this CarePlan instantiates, in the order they stand in."""
    protocols = [url.split("|", 1)[0] for url in resource.get("instantiatesCanonical") or ()]
    systems = {url + kind for url in protocols for kind in _OURS}
    return [one for one in _coded(resource) if one.system in systems]


def the_activity(resource: Resource, system: str, code: str) -> Activity:
    """The one activity with this code. Raises WriteConflict where there is none, or more than one."""
    found = [one for one in _coded(resource) if (one.system, one.code) == (system, code)]
    if len(found) != 1:
        what = "none" if not found else f"{len(found)}"
        raise WriteConflict(
            f"The CarePlan should have one activity with the code {code!r} of {system}, but has {what}: it was changed elsewhere. "
            "Nothing was written; put the activity right in the record, then run this again."
        )
    return found[0]


def _coded(resource: Resource) -> Iterator[Activity]:
    for activity in members(resource, "activity"):
        detail: Element = activity.get("detail") or {}
        for coding in members(detail.get("code") or {}, "coding"):
            if coding.get("system") and coding.get("code"):
                yield Activity(coding["system"], coding["code"], detail)
