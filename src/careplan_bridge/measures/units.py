"""Exact conversion between UCUM units, guarded by what kind of quantity they measure.

The table gives the defining factor of every unit that clinics write for these measures, so reading needs no unit library.
Whatever else is valid UCUM is left to ucumvert and pint, imported only then: they start slowly, and define some units by
binary fractions, so a factor of theirs is taken only where it is a short decimal.

Dimension alone does not guard enough: torque and energy share one, and a score, a count, a percentage and an angle are all
pure numbers. Nothing is converted from one kind to another.
"""

import importlib
from decimal import Context, Decimal, Inexact, InvalidOperation
from fractions import Fraction
from functools import cache, lru_cache
from typing import Any

NUMBER = "1"  # UCUM's unity: a number without a unit
_POUND = Fraction("0.45359237")
_GRAVITY = Fraction("9.80665")
_INCH, _FOOT = Fraction("0.0254"), Fraction("0.3048")
_DEGREE = Fraction(1)

# unit: (kind, how many of the kind's base unit it is)
UNITS: dict[str, tuple[str, Fraction]] = {
    "deg": ("angle", _DEGREE),
    "'": ("angle", _DEGREE / 60),
    "''": ("angle", _DEGREE / 3600),
    "deg/s": ("angular speed", _DEGREE),
    "m": ("length", Fraction(1)),
    "km": ("length", Fraction(1000)),
    "dm": ("length", Fraction(1, 10)),
    "cm": ("length", Fraction(1, 100)),
    "mm": ("length", Fraction(1, 1000)),
    "[in_i]": ("length", _INCH),
    "[ft_i]": ("length", _FOOT),
    "[yd_i]": ("length", 3 * _FOOT),
    "kg": ("mass", Fraction(1)),
    "g": ("mass", Fraction(1, 1000)),
    "[lb_av]": ("mass", _POUND),
    "[oz_av]": ("mass", _POUND / 16),
    "N": ("force", Fraction(1)),
    "daN": ("force", Fraction(10)),
    "kN": ("force", Fraction(1000)),
    "kgf": ("force", _GRAVITY),
    "gf": ("force", _GRAVITY / 1000),
    "[lbf_av]": ("force", _POUND * _GRAVITY),
    "N.m": ("torque", Fraction(1)),
    "N.cm": ("torque", Fraction(1, 100)),
    "kgf.m": ("torque", _GRAVITY),
    "kgf.cm": ("torque", _GRAVITY / 100),
    "[ft_i].[lbf_av]": ("torque", _FOOT * _POUND * _GRAVITY),
    "[lbf_av].[ft_i]": ("torque", _FOOT * _POUND * _GRAVITY),
    "[in_i].[lbf_av]": ("torque", _INCH * _POUND * _GRAVITY),
    "[lbf_av].[in_i]": ("torque", _INCH * _POUND * _GRAVITY),
    "N.m/kg": ("torque per mass", Fraction(1)),
    "J": ("energy", Fraction(1)),
    "kJ": ("energy", Fraction(1000)),
    "s": ("time", Fraction(1)),
    "ms": ("time", Fraction(1, 1000)),
    "min": ("time", Fraction(60)),
    "h": ("time", Fraction(3600)),
    "d": ("time", Fraction(86400)),
    "wk": ("time", Fraction(7 * 86400)),
    "%": ("share", Fraction(1, 100)),
    NUMBER: ("share", Fraction(1)),
    "{score}": ("score", Fraction(1)),
    "{Tscore}": ("T-score", Fraction(1)),
    "{repetitions}": ("repetitions", Fraction(1)),
    "{steps}": ("steps", Fraction(1)),
    "{#}": ("count", Fraction(1)),
}

# Kinds whose dimension no other kind has: only for these may the library's opinion be asked.
_PLAIN_DIMENSION = {"length": "m", "mass": "kg", "force": "N", "time": "s"}
_COUNTS = ("{repetitions}", "{steps}")
_SHORT = 12  # a factor out of a binary fraction shows 16 digits or more
_LONGEST = 40  # no unit of these measures is written longer; a parser is not fed a novel
_EXACT = Context(prec=200, traps=[Inexact, InvalidOperation])


def convert(value: Decimal, unit_from: str, unit_to: str) -> Decimal | None:
    """The value in another unit, exactly; None where the kinds differ or no finite decimal is the factor.

    A value in the right unit already keeps its digits as they were written.
    """
    by = factor(unit_from, unit_to)
    if by is None:
        return None
    return value if by == 1 else times(value, by)


def times(value: Decimal, by: Decimal) -> Decimal:
    """The exact product, printed as a person would write it."""
    return _plain(_EXACT.multiply(value, by))


@lru_cache(maxsize=4096)
def factor(unit_from: str, unit_to: str) -> Decimal | None:
    """How many of `unit_to` one `unit_from` is, if that is a finite decimal and both are of one kind."""
    if unit_from == unit_to or _same_number(unit_from, unit_to):
        return Decimal(1)
    if unit_from not in UNITS:
        return _library_factor(unit_from, unit_to)
    if unit_to not in UNITS or UNITS[unit_from][0] != UNITS[unit_to][0]:
        return None
    return _finite(UNITS[unit_from][1] / UNITS[unit_to][1])


def kind(unit: str) -> str | None:
    """The kind of quantity a known unit measures: length, force, torque, angle and so on."""
    return UNITS[unit][0] if unit in UNITS else _library_kind(unit)


def is_unit(text: str) -> bool:
    """Is this a valid UCUM unit that these measures could use?"""
    return kind(text) is not None


def _same_number(unit_from: str, unit_to: str) -> bool:
    """A score or a count is a number; what an annotation in braces adds is only what was counted."""
    if unit_to in _COUNTS:
        return unit_from in (NUMBER, "{#}")
    return unit_from == NUMBER and unit_to.startswith("{")


def _finite(ratio: Fraction) -> Decimal | None:
    try:
        return _plain(_EXACT.divide(Decimal(ratio.numerator), Decimal(ratio.denominator)))
    except Inexact:
        return None


def _plain(value: Decimal) -> Decimal:
    """Without trailing zeros and without an exponent, so that it prints as a person would write it."""
    return Decimal(f"{value.normalize(_EXACT):f}")


def _library_factor(unit_from: str, unit_to: str) -> Decimal | None:
    kind_to = UNITS[unit_to][0] if unit_to in UNITS else None
    if kind_to not in _PLAIN_DIMENSION or _library_kind(unit_from) != kind_to:
        return None
    return _short(_library_ratio(unit_from, unit_to))


def _short(ratio: Decimal) -> Decimal | None:
    digits = ratio.normalize(_EXACT)
    return _plain(digits) if len(digits.as_tuple().digits) <= _SHORT else None


@lru_cache(maxsize=1024)
def _library_kind(unit: str) -> str | None:
    dimension = _dimension(unit)
    if dimension is None:
        return None
    return next((name for name, base in _PLAIN_DIMENSION.items() if _dimension(base) == dimension), None)


@cache
def _registry() -> Any:
    library: Any = importlib.import_module("ucumvert")  # takes more than a second, and is hardly ever needed
    return library.PintUcumRegistry(non_int_type=Decimal)


def _parsed(unit: str) -> Any:
    return Decimal(1) * _registry().from_ucum(unit)


@lru_cache(maxsize=1024)
def _dimension(unit: str) -> Any:
    """The library's dimension of a unit, None for what it does not take for one."""
    if len(unit) > _LONGEST:
        return None
    try:
        return _parsed(unit).dimensionality
    except Exception:  # noqa: BLE001 - the parser and pint raise many kinds for text that is no unit
        return None


def _library_ratio(unit_from: str, unit_to: str) -> Decimal:
    return Decimal(_parsed(unit_from).to(_parsed(unit_to).units).magnitude)
