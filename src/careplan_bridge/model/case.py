"""One person's episode: surgeries, side, orders, own goals, and the people who sign. It names no patient but by a reference."""

from datetime import date
from decimal import Decimal

from msgspec import Struct

from careplan_bridge.model.value import Bounds


class Person(Struct, frozen=True, kw_only=True):
    """A clinician; `role` is one word of the protocol's signatures (therapist, surgeon). `resource`: an existing Practitioner reference."""

    id: str
    name: str
    role: str
    resource: str | None = None


class Surgery(Struct, frozen=True, kw_only=True):
    """`performed` lists what else was done (meniscus repair), in the protocol's words."""

    id: str
    procedure: str
    on: date
    side: str
    performed: tuple[str, ...] = ()


class RestrictionOrder(Struct, frozen=True, kw_only=True, tag_field="kind", tag="restriction"):
    """Changes the bounds or the end of a restriction of the protocol; what is None stays.

    The numbers of `bounds` are in `unit` as it was written (None: levels, which have none); a case knows no measure, so
    whoever applies the order converts them to the measure's unit, or refuses.
    """

    restriction: str
    bounds: Bounds | None = None
    unit: str | None = None
    from_day: int | None = None
    before_day: int | None = None


class WindowOrder(Struct, frozen=True, kw_only=True, tag_field="kind", tag="window"):
    """Moves a stage's window; what is None stays."""

    stage: str
    before_day: int | None = None
    earliest_advance: int | None = None


class PrecautionOrder(Struct, frozen=True, kw_only=True, tag_field="kind", tag="precaution"):
    """Adds a precaution to a stage."""

    stage: str
    precaution: str
    text: str
    before_day: int | None = None


class ReferenceOrder(Struct, frozen=True, kw_only=True, tag_field="kind", tag="reference"):
    """Names the value that the involved side is compared with in place of the other limb, in `unit` as it was written."""

    measure: str
    qualifiers: dict[str, str]
    value: Decimal
    unit: str


Change = RestrictionOrder | WindowOrder | PrecautionOrder | ReferenceOrder


class Order(Struct, frozen=True, kw_only=True):
    """What the surgeon's findings or wishes change for this person; `by` is a person id, `says` their words.

    It holds from the day `on`, from which the orders that it `replaces` no longer do.
    """

    id: str
    by: str
    on: date
    says: str
    change: Change
    replaces: tuple[str, ...] = ()


class Confirmed(Struct, frozen=True, kw_only=True):
    """Someone stated that these orders (or none) are all there are."""

    by: str
    on: date


class OwnGoal(Struct, frozen=True, kw_only=True):
    """What the person wants to reach; shown beside the protocol's goals, never gating."""

    id: str
    text: str
    reached: bool | None = None


class Case(Struct, frozen=True, kw_only=True):
    """`patient` is a reference (Patient/ID) on the endpoint; `side` the involved side; `surgery` the one that days count from."""

    id: str
    patient: str
    side: str
    surgery: str
    surgeries: tuple[Surgery, ...]
    people: tuple[Person, ...]
    orders: tuple[Order, ...] = ()
    orders_confirmed: Confirmed | None = None
    own_goals: tuple[OwnGoal, ...] = ()
    digest: str = ""
