"""A number with its unit as an interval in the measure's unit, exactly, or why it cannot be read."""

from collections.abc import Mapping
from decimal import Decimal, InvalidOperation
from typing import NamedTuple

from careplan_bridge.measures.qualifiers import plain
from careplan_bridge.measures.refusal import Refused
from careplan_bridge.measures.units import NUMBER, UNITS, convert, factor, is_unit, kind
from careplan_bridge.model.conventions import Conventions
from careplan_bridge.model.fhir_names import UCUM
from careplan_bridge.model.measure import Catalogue, Measure, Range
from careplan_bridge.model.value import Amount

LEVEL = "level"  # the bare unit of ordinals
COMPARATORS = ("<", "<=", ">", ">=")
_RADIANS = ("rad", "radian", "radians")
_LARGEST = 9  # orders of magnitude; no measurement here comes near
_DIGITS = 30


class Written(NamedTuple):
    """A unit as it came: its text, its code and the code's system."""

    text: str | None = None
    code: str | None = None
    system: str | None = None

    @property
    def shown(self) -> str | None:
        return self.text or self.code


class NumberRule(NamedTuple):
    """How numbers of one shape are read: from which unit, into which, and what the comparator makes of them."""

    unit_from: str
    unit: str
    comparator: str | None = None

    def amount(self, number: Decimal) -> Amount:
        value = convert(number, self.unit_from, self.unit)
        if value is None:
            raise Refused("unit-not-exact", unit=self.unit_from, wanted=self.unit)
        return compared(value, self.comparator, self.unit)


class Units:
    """Which unit is meant: UCUM, the catalogue's spellings, the site's own aliases."""

    def __init__(self, catalogue: Catalogue, conventions: Conventions) -> None:
        self._spellings: Mapping[str, str] = catalogue.unit_spellings
        self._aliases: Mapping[str, str] = conventions.unit_aliases
        self._kilogram_means_force = conventions.kilogram_means_force

    def rule(
        self, measure: Measure, unit: Written, comparator: str | None = None, bare: str | None = None
    ) -> NumberRule:
        """The rule for numbers of this measure in this unit. `bare` is a unit that counts as none here. Raises Refused."""
        if comparator is not None and comparator not in COMPARATORS:
            raise Refused("comparator-unknown", comparator=comparator)
        wanted = measure.unit or LEVEL
        named = self._named(unit, measure)
        if named is None or named == bare:
            return NumberRule(_bare_unit(measure), wanted, comparator)
        _check_unit(named, wanted, measure)
        return NumberRule(named, wanted, comparator)

    def said(self, text: str) -> str | None:
        """The unit that this text is here, in UCUM: everyday UCUM itself, a spelling, or the site's alias; None if it is none."""
        # Only the everyday units: as UCUM, `ft` would be a femtotonne and `yd` a yoctoday.
        return self._aliases.get(text) or self._spellings.get(text) or (text if text in UNITS else None)

    def _named(self, unit: Written, measure: Measure) -> str | None:
        """The UCUM unit that is meant, None where none is given."""
        coded, said = self._coded(unit), self.said(unit.text) if unit.text else None
        if coded is not None and said is not None and self._forced(coded, measure) != self._forced(said, measure):
            raise Refused("unit-clash", code=unit.code or coded, text=unit.text or said)
        found = coded or (said if unit.code is None else None)
        if found is None and unit.shown is not None:
            raise unknown_unit(unit.code or unit.text or "", measure)
        return None if found is None else self._forced(found, measure)

    def _coded(self, unit: Written) -> str | None:
        if unit.code is None:
            return None
        if unit.system == UCUM and is_unit(unit.code):
            return unit.code
        return self._aliases.get(unit.code) or (self.said(unit.code) if unit.system is None else None)

    def _forced(self, unit: str, measure: Measure) -> str:
        """Dynamometers show kilograms; where the site says so they are kilograms of force."""
        force = measure.unit is not None and kind(measure.unit) == "force"
        return "kgf" if unit == "kg" and force and self._kilogram_means_force else unit


def unknown_unit(named: str, measure: Measure) -> Refused:
    """Why this text is no unit here. A radian is one, but no finite number of degrees."""
    if measure.unit == "deg" and named.casefold() in _RADIANS:
        return Refused("unit-radians", unit=named, measure=measure.term)
    return Refused("unit-unknown", unit=named)


def decimal(written: str) -> Decimal:
    """The number, with the digits it came with. Raises Refused for what no instrument shows."""
    try:
        value = Decimal(written)
    except InvalidOperation:
        raise Refused("number-unreadable") from None
    if not value.is_finite() or len(value.as_tuple().digits) > _DIGITS or not _usable(value):
        raise Refused("number-unreadable")
    return value


def compared(value: Decimal, comparator: str | None, unit: str) -> Amount:
    """The interval that a number with a comparator stands for; a bound that is left out is not among the values."""
    match comparator:
        case "<" | "<=":
            return Amount(None, value, unit, False, comparator == "<=")  # noqa: FBT003 - the struct's own order
        case ">" | ">=":
            return Amount(value, None, unit, comparator == ">=", False)  # noqa: FBT003
        case _:
            return Amount(value, value, unit)


def plausible_range(measure: Measure, qualifiers: Mapping[str, str], conventions: Conventions) -> Range | None:
    """The site's own range, else the first one of the catalogue that fits the qualifiers."""
    own = conventions.plausible.get(measure.id)
    if own is not None:
        return Range(low=own[0], high=own[1])
    return next((one for one in measure.plausible if one.where.items() <= qualifiers.items()), None)


def check_plausible(value: Amount, within: Range | None) -> None:
    """Both ends that are known have to lie within the range; a number is never repaired."""
    if within is None:
        return
    ends = [end for end in (value.low, value.high) if end is not None]
    if any(end < within.low or end > within.high for end in ends):
        raise Refused("implausible", low=plain(within.low), high=plain(within.high), unit=value.unit)


def _usable(value: Decimal) -> bool:
    exponent = value.as_tuple().exponent
    return value.adjusted() <= _LARGEST and isinstance(exponent, int) and abs(exponent) <= _DIGITS


def _bare_unit(measure: Measure) -> str:
    if measure.bare_unit is None:
        raise Refused("unit-missing", measure=measure.term)
    return measure.bare_unit


def _check_unit(named: str, wanted: str, measure: Measure) -> None:
    if wanted == LEVEL:
        if named != NUMBER:
            raise Refused("unit-unfit", unit=named, measure=measure.term, wanted="levels of a scale")
    elif factor(named, wanted) is None:
        raise _unfit(named, wanted, measure)


def _unfit(named: str, wanted: str, measure: Measure) -> Refused:
    if kind(named) == "mass" and kind(wanted) == "force":
        return Refused("mass-for-force", unit=named, measure=measure.term)
    if kind(named) == kind(wanted):
        return Refused("unit-not-exact", unit=named, wanted=wanted)
    return Refused("unit-unfit", unit=named, measure=measure.term, wanted=wanted)
