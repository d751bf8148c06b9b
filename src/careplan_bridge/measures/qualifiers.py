"""Qualifiers of a measure: movement, position, muscle, speed and the like, gathered from wherever an entry says them."""

import re
from collections.abc import Iterable
from decimal import Decimal
from typing import NamedTuple

from careplan_bridge.measures.refusal import Refused
from careplan_bridge.measures.units import convert
from careplan_bridge.model.measure import Measure, Qualifier

_QUANTITY = re.compile(r"([0-9]{1,6}(?:\.[0-9]{1,6})?)\s*(\S{1,20})", re.ASCII)


class Claim(NamedTuple):
    """Something in the entry says this value of a qualifier. A `strict` claim has to fit the measure."""

    name: str
    value: str
    strict: bool = False


def normal(qualifier: Qualifier, written: str) -> str | None:
    """The catalogue's word for what was written, `60 deg/s` for a quantity; None if the qualifier cannot have this value.

    Case, hyphens and blanks do not matter. An open qualifier keeps any other words as written.
    """
    said = " ".join(written.split())
    if qualifier.unit is not None:
        return _quantity(said, qualifier.unit)
    words = {_bare(value): value for value in qualifier.values}
    return words.get(_bare(said)) or (said or None if qualifier.open else None)


def known(measure: Measure, claims: Iterable[Claim]) -> tuple[dict[str, str], Refused | None]:
    """The qualifiers that the claims agree on, and what is wrong with the others (the first fault found)."""
    qualifiers = {qualifier.name: qualifier for qualifier in measure.qualifiers}
    found: dict[str, set[str]] = {}
    fault: Refused | None = None
    for claim in claims:
        value = normal(qualifiers[claim.name], claim.value) if claim.name in qualifiers else None
        if value is not None:
            found.setdefault(claim.name, set()).add(value)
        elif claim.strict or claim.name in qualifiers:
            fault = fault or Refused("qualifier-unknown", name=claim.name, value=claim.value, measure=measure.term)
    clashing = sorted(name for name, values in found.items() if len(values) > 1)
    if clashing:
        fault = fault or Refused("qualifier-clash", names=", ".join(clashing))
    return {name: min(found[name]) for name in qualifiers if len(found.get(name, ())) == 1}, fault


def missing(measure: Measure, qualifiers: dict[str, str]) -> Refused | None:
    """What is wrong if a qualifier that splits the measure is not known."""
    names = [
        qualifier.name for qualifier in measure.qualifiers if qualifier.required and qualifier.name not in qualifiers
    ]
    return Refused("qualifier-missing", names=" and ".join(names)) if names else None


def _bare(words: str) -> str:
    return re.sub(r"[\s-]+", "", words).casefold()


def _quantity(said: str, unit: str) -> str | None:
    found = _QUANTITY.fullmatch(said)
    number = convert(Decimal(found[1]), found[2], unit) if found else None
    return None if number is None else f"{plain(number)} {unit}"


def plain(number: Decimal) -> str:
    """The number without an exponent and without trailing zeros, so that equal quantities are equal words."""
    short = f"{number:f}"
    return short.rstrip("0").rstrip(".") if "." in short else short
