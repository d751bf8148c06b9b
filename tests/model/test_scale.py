"""Levels are compared only as far as their order is established."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from careplan_bridge.model.measure import LevelNumber, Measure
from careplan_bridge.model.scale import known, level, order

EFFUSION = Measure(
    id="effusion", term="", unit=None, bare_unit="level", side="required", levels=("0", "trace", "1+", "2+", "3+")
)
WEIGHT = Measure(
    id="weight",
    term="",
    unit=None,
    bare_unit="level",
    side="required",
    levels=("NWB", "TTWB", "PWB n%", "WBAT", "FWB"),
    undecided=(("TTWB", "PWB n%"), ("WBAT", "FWB")),
    level_number=LevelNumber(level="PWB n%", unit="%", required=True, written="PWB 50%"),
)
AID = Measure(
    id="aid", term="", unit=None, bare_unit="level", side="none", levels=("none", "frame"), order_established=False
)


def test_levels_stand_in_the_order_of_the_scale():
    for (i, a), (j, b) in itertools.product(enumerate(EFFUSION.levels), repeat=2):
        assert order(EFFUSION, a, b) == (i > j) - (i < j)


@pytest.mark.parametrize(
    ("a", "b", "expected"),
    [
        ("PWB 30%", "PWB 50%", -1),
        ("PWB 50%", "PWB 50.0%", 0),
        ("NWB", "PWB 5%", -1),
        ("PWB 90%", "FWB", -1),
        ("TTWB", "PWB 50%", None),
        ("WBAT", "FWB", None),
        ("WBAT", "WBAT", 0),
        ("PWB", "FWB", None),
        ("PWB n%", "FWB", None),
    ],
)
def test_numbered_levels_and_pairs_that_nobody_ordered(a: str, b: str, expected: int | None):
    assert order(WEIGHT, a, b) == expected


def test_a_scale_without_an_order_tells_only_sameness():
    assert order(AID, "none", "none") == 0
    assert order(AID, "none", "frame") is None


@pytest.mark.parametrize(
    ("measure", "written", "expected"),
    [
        (EFFUSION, "Trace", "trace"),
        (EFFUSION, " 1+ ", "1+"),
        (EFFUSION, "1", None),
        (EFFUSION, "mild", None),
        (WEIGHT, "fwb", "FWB"),
        (WEIGHT, "pwb 50 %", "PWB 50%"),
        (WEIGHT, "PWB", None),
        (WEIGHT, "PWB n%", None),
    ],
)
def test_what_people_write_for_a_level(measure: Measure, written: str, expected: str | None):
    assert level(measure, written) == expected


@given(st.sampled_from([EFFUSION, WEIGHT, AID]), st.text(max_size=8))
def test_a_name_that_level_gives_is_known(measure: Measure, written: str):
    name = level(measure, written)
    assert name is None or known(measure, name)


@given(
    st.sampled_from(["NWB", "TTWB", "PWB 10%", "PWB 60%", "WBAT", "FWB"]), st.sampled_from(["NWB", "PWB 60%", "FWB"])
)
def test_order_turned_round_is_the_opposite(a: str, b: str):
    there, back = order(WEIGHT, a, b), order(WEIGHT, b, a)
    assert (there is None and back is None) or (there is not None and back is not None and there == -back)
