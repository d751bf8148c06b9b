"""What a server declares that it can do, reduced to what the bridge uses.

A declaration is a claim, not a proof; and a statement that cannot be read claims nothing at all.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from careplan_bridge.endpoint.http import Client
from careplan_bridge.endpoint.outcomes import Refused
from careplan_bridge.endpoint.untrusted import a_list, an_object, objects, text


@dataclass(frozen=True, slots=True)
class Offers:
    """What is declared for one type. `interactions` and `versioning` hold R4's codes; `search` the parameters' names."""

    interactions: frozenset[str] = frozenset()
    search: frozenset[str] = frozenset()
    versioning: str = ""
    conditional_create: bool = False
    conditional_update: bool = False
    update_create: bool = False


@dataclass(frozen=True, slots=True)
class Capabilities:
    """`known` is false where no statement could be read: then everything is taken as not offered."""

    known: bool = False
    fhir_version: str = ""
    software: str = ""
    transaction: bool = False
    batch: bool = False
    types: Mapping[str, Offers] = field(default_factory=dict[str, Offers])

    def of(self, kind: str) -> Offers:
        """What is declared for a type; nothing where the type is not named."""
        return self.types.get(kind, Offers())

    def offers(self, kind: str, interaction: str) -> bool:
        return interaction in self.of(kind).interactions


def capabilities(client: Client) -> Capabilities:
    """The server's declaration, asked for once per client. Raises LoginRefused or EndpointDown."""
    return client.once("capabilities", lambda: _asked(client))


def _asked(client: Client) -> Capabilities:
    try:
        statement = client.get("metadata", what="capabilities").resource()
    except Refused:
        return Capabilities()
    return declared(statement)


def declared(statement: Mapping[str, Any]) -> Capabilities:
    """A CapabilityStatement reduced; anything else, or one without a server's part, declares nothing."""
    servers = [rest for rest in objects(statement.get("rest")) if text(rest, "mode") == "server"]
    if text(statement, "resourceType") != "CapabilityStatement" or not servers:
        return Capabilities()
    system = _codes(servers[0].get("interaction"))
    return Capabilities(
        known=True,
        fhir_version=text(statement, "fhirVersion"),
        software=text(an_object(statement.get("software")), "name"),
        transaction="transaction" in system,
        batch="batch" in system,
        types={text(resource, "type"): _offers(resource) for resource in objects(servers[0].get("resource"))},
    )


def _offers(resource: Mapping[str, Any]) -> Offers:
    return Offers(
        interactions=_codes(resource.get("interaction")),
        search=frozenset(text(parameter, "name") for parameter in objects(resource.get("searchParam"))),
        versioning=text(resource, "versioning"),
        conditional_create=resource.get("conditionalCreate") is True,
        conditional_update=resource.get("conditionalUpdate") is True,
        update_create=resource.get("updateCreate") is True,
    )


def _codes(interactions: object) -> frozenset[str]:
    return frozenset(text(an_object(interaction), "code") for interaction in a_list(interactions))
