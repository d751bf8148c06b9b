"""A protocol fitted to a case. A revision never changes; the CarePlan and its Goals are only its projection."""

from datetime import date
from typing import Literal

from msgspec import Struct

from careplan_bridge.model.case import Confirmed, Order, OwnGoal, Person, Surgery
from careplan_bridge.model.cautions import CAUTIONS
from careplan_bridge.model.conventions import Clinic
from careplan_bridge.model.course import Course
from careplan_bridge.model.criterion import RedFlag
from careplan_bridge.model.measure import Measure
from careplan_bridge.model.protocol import Stage


class ProtocolRef(Struct, frozen=True, kw_only=True):
    id: str
    version: str
    url: str
    title: str
    notice: str
    digest: str


class Plan(Struct, frozen=True, kw_only=True):
    """Compiled criteria, restrictions and windows with all facts that judging them needs.

    `stages` already carry the orders: restrictions that do not apply are gone, changed ones are changed.
    `facts` holds the catalogue entry of every measure that a stage names. `course` is exported with the plan document.
    """

    document: Literal["plan"] = "plan"
    version: Literal[1] = 1
    cautions: tuple[str, ...] = CAUTIONS
    id: str
    revision: int
    case: str
    patient: str
    protocol: ProtocolRef
    clinic: Clinic
    side: str
    surgery: str
    surgeries: tuple[Surgery, ...]
    people: tuple[Person, ...]
    orders: tuple[Order, ...]
    orders_confirmed: Confirmed | None
    own_goals: tuple[OwnGoal, ...]
    signatures: dict[str, tuple[str, ...]]
    red_flags: tuple[RedFlag, ...]
    stages: tuple[Stage, ...]
    facts: dict[str, Measure]
    catalogue_digest: str
    conventions_digest: str
    case_digest: str
    course: Course = Course()

    @property
    def day_zero(self) -> date:
        """The date of the surgery that days count from."""
        return next(surgery.on for surgery in self.surgeries if surgery.id == self.surgery)

    def stage(self, stage_id: str) -> Stage:
        return next(stage for stage in self.stages if stage.id == stage_id)

    def person(self, person_id: str) -> Person | None:
        return next((person for person in self.people if person.id == person_id), None)

    def after(self, stage_id: str) -> Stage | None:
        """The stage that follows, or None after the last."""
        ids = [stage.id for stage in self.stages]
        place = ids.index(stage_id) + 1
        return self.stages[place] if place < len(ids) else None

    @property
    def current(self) -> Stage:
        """The stage the person is in: the one last entered, else the first."""
        return self.stage(self.course.stage or self.stages[0].id)
