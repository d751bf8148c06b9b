"""The one extension that carries a measure's qualifiers and side, on Observations and on both kinds of target."""

import re
from collections.abc import Mapping
from decimal import Decimal

from careplan_bridge.fhir.elements import Element, compound, extension, quantity
from careplan_bridge.model import fhir_names as names
from careplan_bridge.model.measure import Measure

SIDE = "side"
_NUMBER_WITH_UNIT = re.compile(r"(-?[0-9]+(?:\.[0-9]+)?) (\S+)")


def qualifier_extensions(measure: Measure, qualifiers: Mapping[str, str], side: str | None) -> list[Element]:
    """One extension a qualifier, in the order of their names; the side, where there is one, comes first."""
    quantities = {qualifier.name for qualifier in measure.qualifiers if qualifier.unit}
    sides = [] if side is None else [_named(SIDE, extension(names.QUALIFIER_VALUE, valueString=side))]
    return sides + [_named(name, _value(text, counted=name in quantities)) for name, text in sorted(qualifiers.items())]


def _named(name: str, value: Element) -> Element:
    return compound(names.MEASURE_QUALIFIER_EXTENSION, [extension(names.QUALIFIER_NAME, valueString=name), value])


def _value(text: str, *, counted: bool) -> Element:
    parts = _NUMBER_WITH_UNIT.fullmatch(text) if counted else None
    if parts is None:
        return extension(names.QUALIFIER_VALUE, valueString=text)
    return extension(names.QUALIFIER_VALUE, valueQuantity=quantity(Decimal(parts[1]), parts[2]))
