"""A quantity as it is written in a file: a number with its unit, or a level of a scale."""

import re
from dataclasses import dataclass
from decimal import Decimal

from careplan_bridge.measures.units import convert
from careplan_bridge.model.measure import Catalogue, Measure
from careplan_bridge.model.value import Threshold

_NUMBER = r"[+-]?\d{1,9}(?:\.\d{1,6})?"
_QUANTITY = re.compile(rf"({_NUMBER})\s*([^\s\d+-].*)")
_BARE = re.compile(_NUMBER)
# Units that UCUM writes in braces, as people write them.
_WORDS = {
    "{score}": ("points", "point"),
    "{Tscore}": ("points", "point"),
    "{repetitions}": ("repetitions", "repetition"),
    "{steps}": ("steps", "step"),
}


@dataclass(frozen=True, slots=True)
class Quantity:
    """`unit` as written."""

    number: Decimal
    unit: str


def quantity(text: str) -> Quantity | None:
    """`90 deg` or `60%`; None where the text is no number with a unit."""
    match = _QUANTITY.fullmatch(text.strip())
    return Quantity(Decimal(match[1]), match[2].strip()) if match else None


def is_bare_number(text: str) -> bool:
    return _BARE.fullmatch(text.strip()) is not None


def in_unit(written: Quantity, unit: str, catalogue: Catalogue) -> Decimal | None:
    """The number in `unit` (UCUM), exact; None where the units do not fit each other."""
    if written.unit == unit or written.unit in _WORDS.get(unit, ()):
        return written.number
    return convert(written.number, catalogue.unit_spellings.get(written.unit, written.unit), unit)


def shown_unit(unit: str, *, one: bool = False) -> str:
    """The unit as a person would write it in a file."""
    return _WORDS[unit][int(one)] if unit in _WORDS else unit


def level(text: str, measure: Measure) -> str | None:
    """The level's name as a reading carries it, `PWB 50%` included; None where the scale has no such level."""
    if text in measure.levels and not (
        measure.level_number and measure.level_number.required and text == measure.level_number.level
    ):
        return text
    numbered = measure.level_number
    if numbered is None:
        return None
    pattern = re.escape(numbered.level).replace("n", r"(\d{1,3}(?:\.\d{1,2})?) ?", 1)
    match = re.fullmatch(pattern, text)
    return numbered.level.replace("n", match[1], 1) if match else None


def threshold(text: str, measure: Measure, catalogue: Catalogue) -> Threshold | None:
    """The text in terms of the measure: a number in its unit, or a level of its scale."""
    if measure.unit is None:
        found = level(text, measure)
        return Threshold(level=found) if found is not None else None
    written = quantity(text)
    number = in_unit(written, measure.unit, catalogue) if written else None
    return Threshold(number=number) if number is not None else None
