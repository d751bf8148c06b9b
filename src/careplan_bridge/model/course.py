"""What happened to a plan: stages entered, responses, decisions. Events are only added."""

from datetime import datetime
from typing import Literal

from msgspec import Struct

PlanStatus = Literal["draft", "active", "completed"]


class StageEntered(Struct, frozen=True, kw_only=True, tag_field="event", tag="stage-entered"):
    at: datetime
    stage: str
    decision: str


class Responded(Struct, frozen=True, kw_only=True, tag_field="event", tag="responded"):
    """A named clinician dealt with something: `subject` is its id, `evidence` what it was about.

    red-flag, excess: `evidence` holds the sources. hand-entry: a decision that was entered by hand, from the sheet with the code in
    `evidence`. conflict: a resource that was changed elsewhere, in which version, and what is to stand. identity: the Patient before,
    and in `evidence` the one from now on.
    """

    at: datetime
    about: Literal["red-flag", "excess", "hand-entry", "conflict", "identity"]
    subject: str
    evidence: tuple[str, ...]
    by: str
    reason: str


class Decided(Struct, frozen=True, kw_only=True, tag_field="event", tag="decided"):
    """A decision that was written (or confirmed by hand): from here on it belongs to the plan's past."""

    at: datetime
    decision: str
    kind: str
    stage: str
    by: tuple[str, ...]
    reason: str


Event = StageEntered | Responded | Decided


class Course(Struct, frozen=True, kw_only=True):
    events: tuple[Event, ...] = ()

    @property
    def stage(self) -> str | None:
        """The stage last entered; None while the plan stands at its first."""
        return next((event.stage for event in reversed(self.events) if isinstance(event, StageEntered)), None)

    @property
    def status(self) -> PlanStatus:
        """The first executed decision makes a plan active, discharge completes it."""
        kinds = {event.kind for event in self.events if isinstance(event, Decided)}
        return "completed" if "discharge" in kinds else "active" if kinds else "draft"

    @property
    def responses(self) -> tuple[Responded, ...]:
        return tuple(event for event in self.events if isinstance(event, Responded))

    def plus(self, *events: Event) -> "Course":
        return Course(events=(*self.events, *events))
