"""What is known of a value or a moment: an interval, or a range of levels of a scale."""

from datetime import datetime
from decimal import Decimal

from msgspec import Struct


class Amount(Struct, frozen=True, gc=False, tag_field="kind", tag="amount"):
    """Numbers between two bounds, in `unit` (UCUM); None is an open end, an exact value has low = high."""

    low: Decimal | None
    high: Decimal | None
    unit: str
    low_included: bool = True
    high_included: bool = True


class Grade(Struct, frozen=True, gc=False, tag_field="kind", tag="grade"):
    """Levels of an ordinal scale by name, both ends included unless said otherwise; None is an open end."""

    low: str | None
    high: str | None
    low_included: bool = True
    high_included: bool = True


Value = Amount | Grade


class Moment(Struct, frozen=True, gc=False):
    """When something was measured: somewhere from `low` to `high`, both included, in UTC."""

    low: datetime
    high: datetime


class Threshold(Struct, frozen=True, gc=False):
    """A number in the measure's unit, or a level of its scale; exactly one of the two."""

    number: Decimal | None = None
    level: str | None = None


class Bounds(Struct, frozen=True, gc=False):
    """What is asked for: from low to high; at least one is given."""

    low: Threshold | None = None
    high: Threshold | None = None
    low_included: bool = True
    high_included: bool = True
