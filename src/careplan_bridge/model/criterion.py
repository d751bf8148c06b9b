"""The statements a stage demands. Days are whole days counted from the day of surgery, or spans of days."""

from decimal import Decimal
from typing import Literal

from msgspec import Struct

from careplan_bridge.model.value import Bounds, Threshold


class Measured(Struct, frozen=True, kw_only=True):
    """Which readings a statement is about. `side` is involved, uninvolved, or None where the measure has no side."""

    measure: str
    side: str | None = "involved"
    qualifiers: dict[str, str] = {}


class WithinBounds(Struct, frozen=True, kw_only=True, tag_field="kind", tag="threshold"):
    """The latest value lies within bounds, on each of the last `visits_in_a_row` visits with an entry."""

    measured: Measured
    bounds: Bounds
    visits_in_a_row: int = 1


class Reference(Struct, frozen=True, kw_only=True):
    """The value, in the measure's unit, that a clinician's order names in place of the other limb's."""

    value: Decimal
    order: str
    by: str


class OtherSide(Struct, frozen=True, kw_only=True, tag_field="kind", tag="other-side"):
    """Involved against uninvolved side: `index` in per cent (turned over where lower is better), or `difference` in the unit.

    `reference` stands in for the uninvolved side where a clinician's order names one.
    """

    measured: Measured
    index: Bounds | None = None
    difference: Bounds | None = None
    reference: Reference | None = None


class Change(Struct, frozen=True, kw_only=True, tag_field="kind", tag="change"):
    """The latest value minus an earlier one, in the measure's unit: the first after surgery, or the best before the latest visit.

    `best` says which one that is, because after a repair more is not always better; it is given where `since` is best.
    """

    measured: Measured
    bounds: Bounds
    since: Literal["baseline", "best"] = "baseline"
    best: Literal["highest", "lowest"] | None = None


class TimeSince(Struct, frozen=True, kw_only=True, tag_field="kind", tag="time"):
    """At least so many days since a surgery of the case; None is the surgery the plan counts from."""

    at_least: int
    surgery: str | None = None


class FindingIs(Struct, frozen=True, kw_only=True, tag_field="kind", tag="finding"):
    """A clinician's finding, asked for by `finding` (its id) and worded by `text`, is present or absent."""

    finding: str
    text: str
    expected: str = "present"


class AllOf(Struct, frozen=True, kw_only=True, tag_field="kind", tag="all-of"):
    conditions: tuple["Condition", ...]


class AnyOf(Struct, frozen=True, kw_only=True, tag_field="kind", tag="any-of"):
    conditions: tuple["Condition", ...]


class AtLeastOf(Struct, frozen=True, kw_only=True, tag_field="kind", tag="at-least-of"):
    count: int
    conditions: tuple["Condition", ...]


class Alternative(Struct, frozen=True, kw_only=True):
    """One rung of a ranked list; `not_before` is the first day on which it may be done, `needs` the device it needs."""

    condition: "WithinBounds | OtherSide | Change"
    not_before: int | None = None
    needs: str | None = None


class FirstDoneOf(Struct, frozen=True, kw_only=True, tag_field="kind", tag="first-done-of"):
    """Ranked alternatives: the first one that was validly done decides."""

    alternatives: tuple[Alternative, ...]


Condition = WithinBounds | OtherSide | Change | TimeSince | FindingIs | AllOf | AnyOf | AtLeastOf | FirstDoneOf


class Criterion(Struct, frozen=True, kw_only=True):
    """`no_older_than` in days; `expected_by` and `call_surgeon_by` are days after surgery, both including their day.

    `accepts` lists caveat codes that do not weaken a reading for this criterion. `stalled_over` is the number of visits without a
    change beyond measurement error after which the criterion counts as stalled.
    """

    id: str
    says: str
    condition: Condition
    no_older_than: int | None = None
    expected_by: int | None = None
    call_surgeon_by: int | None = None
    accepts: tuple[str, ...] = ()
    stalled_over: int = 3


class Held(Struct, frozen=True, kw_only=True):
    """What a restriction asked for until an order of day `until` changed it; on that day itself either may have held."""

    until: int
    bounds: Bounds
    from_day: int
    before_day: int | None


class Restriction(Struct, frozen=True, kw_only=True):
    """What a measure must not exceed from day `from_day` (included) until `before_day` (excluded).

    `before_day` None: until the stage is left. `when_performed`: only where the surgery included it. `bounds` is what is allowed.
    `before_orders` is what held before orders changed it, in the order of their days.
    """

    id: str
    says: str
    measured: Measured
    bounds: Bounds
    from_day: int = 0
    before_day: int | None = None
    when_performed: str | None = None
    before_orders: tuple[Held, ...] = ()


class Precaution(Struct, frozen=True, kw_only=True):
    """What to avoid until every criterion in `lifted_by` (ids of the same stage) is met and `before_day` has come."""

    id: str
    text: str
    lifted_by: tuple[str, ...] = ()
    before_day: int | None = None
    when_performed: str | None = None


class RedFlag(Struct, frozen=True, kw_only=True):
    """A question asked at each visit; `act` is what the clinic does about it."""

    id: str
    ask: str
    act: str


__all__ = [
    "AllOf", "Alternative", "AnyOf", "AtLeastOf", "Bounds", "Change", "Condition", "Criterion", "FindingIs", "FirstDoneOf",
    "Held", "Measured", "OtherSide", "Precaution", "RedFlag", "Reference", "Restriction", "Threshold", "TimeSince", "WithinBounds",
]  # fmt: skip
