"""What the ledger keeps beside plans and decisions: bindings, intents, what was last seen, and their states."""

from datetime import datetime
from typing import Literal

from msgspec import Struct

from careplan_bridge.model.decision import Decision

DecisionState = Literal["open", "ready", "writing", "written", "void", "parked"]
IntentState = Literal["planned", "sent", "unknown", "confirmed", "conflict", "refused", "parked"]
IntentKind = Literal["create", "update", "transaction"]


class Binding(Struct, frozen=True, kw_only=True):
    """Where a plan lives: the endpoint's name and base, the patient there, and the resources by reference.

    `readings`: the base of the server that the plan's readings are pulled from, where that is another one; None: the same.

    `care_plan` is None until it is known; `goals` maps the value of a Goal's identifier to its reference on the endpoint.
    """

    plan: str
    endpoint: str
    base: str
    patient: str
    readings: str | None = None
    care_plan: str | None = None
    goals: dict[str, str] = {}

    @property
    def pulled_from(self) -> str:
        """The base of the server on which the plan's own Patient reference holds."""
        return self.readings or self.base


class DecisionRecord(Struct, frozen=True, kw_only=True):
    """A decision and where it stands.

    open (signatures are missing) -> ready (acknowledged: from here on it is never lost) -> writing -> written;
    void: something that bears on it was measured before the last signature; parked: waits for hand entry. `why` says so in words.
    """

    decision: Decision
    state: DecisionState
    why: str
    changed: datetime


class ByIdentifier(Struct, frozen=True, kw_only=True, tag_field="guard", tag="identifier"):
    """A create that the server makes only where this search finds nothing; each key is `parameters` of one resource."""

    query: str


class ByVersion(Struct, frozen=True, kw_only=True, tag_field="guard", tag="version"):
    """An update that the server makes only where the resource is at this version."""

    version: str


Guard = ByIdentifier | ByVersion


class Intent(Struct, frozen=True, kw_only=True):
    """A write, set down before it is sent.

    `subject` is a plan's id or a protocol's canonical; `step` names the write within it; `target` a type (create) or a reference
    (update); `digest` is SHA-256 of `body`, the very bytes sent. `reference` and `version` are the server's answer.

    planned -> sent -> confirmed | conflict (changed elsewhere) | refused (the server said no; nothing happened)
    sent -> unknown (no answer) -> confirmed | planned, whichever reading the server shows
    """

    id: int
    subject: str
    decision: str | None
    step: str
    kind: IntentKind
    target: str
    guard: Guard
    digest: str
    body: bytes
    state: IntentState
    reference: str | None
    version: str | None
    says: str
    tries: int
    planned: datetime
    sent: datetime | None
    settled: datetime | None


class Seen(Struct, frozen=True, kw_only=True):
    """The ground for telling our changes of a resource from others'.

    The version we wrote last (or first read), and the managed elements as we left them, by path, as canonical JSON. What others
    changed since is not taken in.
    """

    reference: str
    version: str
    managed: bytes
    at: datetime
