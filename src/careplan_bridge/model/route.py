"""Which way a server lets us write, and what will be written that way: said before anything is signed."""

from typing import Literal

from msgspec import Struct

from careplan_bridge.model.cautions import CAUTIONS

Medium = Literal["resources", "document", "observation", "communication", "by-hand"]
Making = Literal["conditional", "client-id", "search"]
Finding = Literal["identifier", "ledger"]
Guarding = Literal["version", "none", "refused"]
GoalStates = Literal["goals", "note", "note-only"]


class Route(Struct, frozen=True, kw_only=True):
    """The rungs that stand, one a matter.

    medium: what carries a decision: CarePlan and Goals, else one DocumentReference, Observation or Communication, else a person's hands.
    together: one transaction of up to `at_most` entries; else one request after another, the CarePlan being the commit point.
    make: create under If-None-Exist; else under an id of ours; else after a search that found none, by one writer at a time.
    find: by business identifier; else by the references in the ledger and the content of what is about the patient.
    guard: updates under If-Match; `none`: without, as the endpoint file allows; `refused`: no update at all.
    goal_states: in the Goals; else in a note of the CarePlan, beside Goals that are only created (`note`) or without any (`note-only`).
    """

    medium: Medium = "resources"
    together: bool = False
    at_most: int = 0
    make: Making = "conditional"
    find: Finding = "identifier"
    guard: Guarding = "version"
    goal_states: GoalStates = "goals"
    provenance: bool = True

    def takes(self, entries: int) -> bool:
        """Does a transaction of so many entries go this way? One alone gains nothing by it."""
        return self.together and 1 < entries <= self.at_most


class Step(Struct, frozen=True, kw_only=True):
    """Requests of one kind: `count` of them at most, fewer where something is on the server already.

    guard: if-none-exist, client-id, searched, if-match or none; for a transaction `all-or-nothing`.
    """

    method: Literal["POST", "PUT"]
    what: str
    count: int
    guard: str


class Forecast(Struct, frozen=True, kw_only=True):
    """What a push or a fully signed decision will bring about at this endpoint, in the order of writing.

    ends: `written`; `parked`: a person enters it by hand; `ledger`: nothing is sent, the plan lives in the ledger; `refused`: nothing is
    sent and the command fails; `unknown`: no endpoint was asked.
    """

    document: Literal["forecast"] = "forecast"
    version: Literal[1] = 1
    cautions: tuple[str, ...] = CAUTIONS
    endpoint: str | None
    plan: str
    decision: str | None = None
    ends: Literal["written", "parked", "ledger", "refused", "unknown"]
    route: Route | None = None
    steps: tuple[Step, ...] = ()
    says: tuple[str, ...] = ()
