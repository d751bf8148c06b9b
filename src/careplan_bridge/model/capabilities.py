"""What a server can do, by where that is known from, and what the bridge makes of it; and whether it is well just now."""

from typing import Literal

from msgspec import Struct

from careplan_bridge.model.cautions import CAUTIONS
from careplan_bridge.model.route import Route


class FactLine(Struct, frozen=True, kw_only=True):
    """One thing a server does or does not; null: this source does not say. `holds` is what the bridge goes by."""

    fact: str
    declared: bool | None
    proven: bool | None
    observed: bool | None
    holds: bool


class Health(Struct, frozen=True, kw_only=True):
    """`login`: a token was had, or none is needed. `scopes_missing` were asked for and not granted. `read`: the one read went well."""

    document: Literal["health"] = "health"
    version: Literal[1] = 1
    cautions: tuple[str, ...] = CAUTIONS
    endpoint: str
    well: bool
    login: bool
    scopes_missing: tuple[str, ...] = ()
    read: bool
    says: tuple[str, ...] = ()


class CapabilitiesReport(Struct, frozen=True, kw_only=True):
    """`does`: what the bridge will do there; `without`: what it will do without; `login`: how, and what the server names for it.

    `probed` are the sentences of a probe of this run: what was tried and what became of it. `role`: what this server is for; where plans
    are written to another one, `plans` says the same of that one, and there is no `route` here.
    """

    document: Literal["capabilities"] = "capabilities"
    version: Literal[1] = 1
    cautions: tuple[str, ...] = CAUTIONS
    endpoint: str
    environment: str
    known: bool
    fhir_version: str
    software: str
    login: str
    role: Literal["everything", "readings", "plans"] = "everything"
    facts: tuple[FactLine, ...]
    route: Route | None
    does: tuple[str, ...]
    without: tuple[str, ...]
    probed: tuple[str, ...] = ()
    plans: "CapabilitiesReport | None" = None
