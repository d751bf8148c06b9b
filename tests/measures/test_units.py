"""Conversion is exact, agrees with the unit library, and never crosses from one kind of quantity into another."""

import itertools
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from careplan_bridge.measures import units
from careplan_bridge.measures.units import UNITS, convert, factor, is_unit
from careplan_bridge.model.measure import Catalogue

WITH_DIMENSION = ("length", "mass", "force", "torque", "torque per mass", "energy", "time")
PAIRS = [
    (a, b) for a, b in itertools.permutations(UNITS, 2) if UNITS[a][0] == UNITS[b][0] and UNITS[a][0] in WITH_DIMENSION
]


@pytest.fixture(scope="module")
def library() -> Any:
    return units._registry()  # pyright: ignore[reportPrivateUsage]


@pytest.mark.parametrize(("a", "b"), PAIRS)
def test_the_table_agrees_with_the_library(a: str, b: str, library: Any):
    ratio = UNITS[a][1] / UNITS[b][1]
    theirs = Fraction((Decimal(1) * library.from_ucum(a)).to(library.from_ucum(b).units).magnitude)
    assert abs(theirs / ratio - 1) < Fraction(1, 10**12)  # theirs comes out of binary fractions, ours is the definition


@pytest.mark.parametrize(
    ("value", "a", "b", "expected"),
    [
        ("15.5", "[in_i]", "cm", "39.37"),
        ("32", "kgf", "N", "313.8128"),
        ("1200", "[ft_i]", "m", "365.76"),
        ("0.92", "1", "%", "92"),
        ("1", "[ft_i].[lbf_av]", "N.m", "1.3558179483314004"),
        ("90.00", "deg", "deg", "90.00"),
        ("12", "1", "{repetitions}", "12"),
        ("2", "[mi_us]", "m", None),  # the library knows it only as a binary fraction
        ("2", "dN", "N", "0.2"),  # not in the table: the library's short factor
    ],
)
def test_values_people_send(value: str, a: str, b: str, expected: str | None):
    found = convert(Decimal(value), a, b)
    assert (None if found is None else str(found)) == expected


@pytest.mark.parametrize(
    ("a", "b"),
    [
        ("kg", "N"),  # a mass is no force
        ("N.m", "J"),  # torque and energy have one dimension
        ("{score}", "%"),
        ("{steps}", "{repetitions}"),
        ("deg", "%"),
        ("'", "m"),  # an arc minute, whatever a person meant by it
        ("rad", "deg"),
        ("N", "kgf"),  # no finite decimal
        ("64098-7", "m"),
        ("", "m"),
        ("lb", "kg"),
    ],
)
def test_what_is_never_converted(a: str, b: str):
    assert factor(a, b) is None


@given(st.decimals("-1000", "1000", places=4), st.sampled_from(PAIRS))
def test_there_and_back_is_the_same_value(value: Decimal, pair: tuple[str, str]):
    there = convert(value, *pair)
    back = convert(there, pair[1], pair[0]) if there is not None else None
    assert back is None or back == value


@given(st.text(max_size=50))
def test_any_text_is_a_unit_or_none(text: str):
    assert is_unit(text) in (True, False)


def test_every_unit_of_the_catalogue_is_in_the_table(catalogue: Catalogue):
    named = {measure.unit for measure in catalogue.measures.values()} | set(catalogue.unit_spellings.values())
    named |= {qualifier.unit for measure in catalogue.measures.values() for qualifier in measure.qualifiers}
    assert named - {None} <= set(UNITS)
