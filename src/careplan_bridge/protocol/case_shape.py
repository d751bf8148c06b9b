"""The keys of a case file, as they are written."""

from typing import ClassVar, Literal

from pydantic import ConfigDict

from careplan_bridge.protocol.shape import Bounded, Qualified
from careplan_bridge.syntax.shape import Part
from careplan_bridge.syntax.values import Date, DayPoint, Id, Text, Written, YesNo

_NUMBERED = "unnamed-{line}-{column}"
_DAY = "2000-01-01"
CaseSide = Literal["left", "right"]


class SurgeryPart(Part):
    stand_ins: ClassVar = {"id": _NUMBERED, "procedure": "-", "on": _DAY}

    id: Id
    procedure: Text
    on: Date
    side: CaseSide | None = None
    performed: tuple[Text, ...] = ()


class PersonPart(Part):
    stand_ins: ClassVar = {"id": _NUMBERED, "name": "-", "role": "therapist"}

    id: Id
    name: Text
    role: Text
    resource: Text | None = None


class OrderPart(Bounded, Qualified):
    """An order names what it changes: a `restriction`, a `window` (by its stage), a `precaution` that it adds, or the measure of
    a `reference` that stands in for the other limb.
    """

    stand_ins: ClassVar = {"id": _NUMBERED, "by": "unnamed", "on": _DAY, "says": "-"}

    id: Id
    by: Id
    on: Date
    says: Text
    restriction: Id | None = None
    window: Id | None = None
    precaution: Id | None = None
    reference: Text | None = None
    value: Written | None = None
    replaces: tuple[Id, ...] = ()
    stage: Id | None = None
    text: Text | None = None
    from_: DayPoint | None = None
    before: DayPoint | None = None
    earliest_advance: DayPoint | None = None


class ConfirmedPart(Part):
    by: Id
    on: Date


class OwnGoalPart(Part):
    stand_ins: ClassVar = {"id": _NUMBERED, "text": "-"}

    id: Id
    text: Text
    reached: YesNo | None = None


class CasePart(Part):
    """A case file."""

    model_config = ConfigDict(title="Case file")
    stand_ins: ClassVar = {
        "case": "unnamed",
        "patient": "Patient/unnamed",
        "side": "left",
        "surgeries": [],
        "people": [],
    }

    case: Id
    patient: Text
    side: CaseSide
    surgery: Id | None = None
    surgeries: tuple[SurgeryPart, ...]
    people: tuple[PersonPart, ...]
    orders: tuple[OrderPart, ...] = ()
    orders_confirmed: ConfirmedPart | None = None
    own_goals: tuple[OwnGoalPart, ...] = ()
