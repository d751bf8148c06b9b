"""What numbers written as text say, and levels of a scale."""

from decimal import Decimal
from typing import NamedTuple

from careplan_bridge.model.measure import Measure
from careplan_bridge.model.scale import level


class Said(NamedTuple):
    """Numbers with what joins them: one number (`sign`, `comparator`), two or three; `unit` as written."""

    numbers: tuple[Decimal, ...]
    unit: str | None = None
    sign: str = ""
    comparator: str | None = None
    out_of: int | None = None


def level_of(measure: Measure, text: str) -> str | None:
    """The level that the text names; `4+/5` names 4+ on a scale that ends with 5."""
    named, stroke, last = text.rpartition("/")
    if stroke and measure.levels and last.strip() == measure.levels[-1]:
        text = named
    return level(measure, text)
