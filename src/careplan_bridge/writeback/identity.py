"""The resource on the server that carries an identity we gave: one, none, or, against all rules, several."""

from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from typing import Any

from careplan_bridge.endpoint.http import Client, encoded
from careplan_bridge.endpoint.read import Stored
from careplan_bridge.endpoint.search import search
from careplan_bridge.endpoint.untrusted import objects, text
from careplan_bridge.endpoint.versions import version_of
from careplan_bridge.errors import WriteConflict, WriteUnresolved
from careplan_bridge.model.digest import canonical
from careplan_bridge.writeback.content import holds

Resource = dict[str, Any]
# Identifiers are what a twin lacks; the rest is what decisions, clinicians and servers change while a plan runs.
PASSING = (
    "identifier", "status", "lifecycleStatus", "achievementStatus", "statusDate", "statusReason", "outcomeReference", "goal",
    "activity", "note", "extension", "subject", "docStatus", "contained",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Identity:
    """A type, the search that finds it, and our own look at each hit, because servers ignore what they do not understand.

    `name` is the identifier or canonical as people read it. `twin` finds the same resource without its identifier, where a server
    drops those: by the patient and by what nobody changes afterwards.
    """

    kind: str
    name: str
    params: tuple[tuple[str, str], ...]
    is_it: Callable[[Resource], bool] = field(repr=False, compare=False)
    twin: "Identity | None" = field(default=None, repr=False, compare=False)

    @property
    def query(self) -> str:
        """As If-None-Exist wants it."""
        return encoded(self.params)


def by_identifier(resource: Resource) -> Identity:
    """By the first business identifier of a resource of ours."""
    ours = resource["identifier"][0]
    token = f"{ours['system']}|{ours['value']}"

    def is_it(found: Resource) -> bool:
        theirs = ((text(other, "system"), text(other, "value")) for other in objects(found.get("identifier")))
        return (ours["system"], ours["value"]) in theirs

    return Identity(
        resource["resourceType"], ours["value"], (("identifier", token),), is_it, _twin(resource, ours["value"])
    )


def _twin(resource: Resource, name: str) -> Identity:
    """What we send and neither we nor, as a rule, others change later. Two that agree in all of it can't be told apart: a conflict."""
    lasting = {key: value for key, value in resource.items() if key not in PASSING}
    patient = (("patient", resource["subject"]["reference"]),) if "subject" in resource else ()
    return Identity(resource["resourceType"], name, patient, lambda found: holds(found, lasting))


def by_canonical(resource: Resource) -> Identity:
    """By url and version: a version of a definition never changes."""
    url, version = resource["url"], resource["version"]

    def is_it(found: Resource) -> bool:
        return (found.get("url"), found.get("version")) == (url, version)

    return Identity(resource["resourceType"], f"{url}|{version}", (("url", url), ("version", version)), is_it)


def find(client: Client, identity: Identity, without: Collection[str] = ()) -> Stored | None:
    """The one resource that carries the identity, or None; those in `without` are known to be others.

    Raises WriteConflict naming all of them where several do, WriteUnresolved where the search did not end.
    """
    found = search(client, identity.kind, list(identity.params))
    if not found.complete:
        raise WriteUnresolved(
            f"whether {identity.kind} {identity.name} is on the server can't be told: {found.why}; run this again"
        )
    hits = [
        resource
        for resource in found.resources
        if resource.get("resourceType") == identity.kind
        and identity.is_it(resource)
        and reference_of(resource) not in without
    ]
    if len(hits) > 1:
        raise several(identity, hits)
    return Stored(hits[0], version_of({}, hits[0])) if hits else None


def several(identity: Identity, hits: list[Resource]) -> WriteConflict:
    references = " and ".join(sorted(reference_of(hit) for hit in hits))
    return WriteConflict(
        f"{references} all carry the identifier of {identity.kind} {identity.name}, which belongs to one resource; none was added. "
        "Mark all but the right one as entered-in-error and take the identifier off them"
    )


def reference_of(resource: Resource) -> str:
    return f"{resource['resourceType']}/{resource['id']}"


def same(one: Resource, other: Resource) -> bool:
    """Equal in every element, whatever the order of their keys."""
    return canonical(one) == canonical(other)
