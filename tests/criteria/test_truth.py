"""Compound statements say what every completion of their parts says, or less; never more."""

from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from careplan_bridge.criteria import truth
from careplan_bridge.criteria.truth import CANNOT_TELL, MET, NOT_MET
from careplan_bridge.model.check import Verdict

verdicts = st.lists(st.sampled_from(Verdict), max_size=5)


def worlds(several: list[Verdict]) -> list[tuple[bool, ...]]:
    """Every way in which the parts may turn out."""
    ways = {MET: (True,), NOT_MET: (False,), CANNOT_TELL: (True, False)}
    return list(product(*(ways[verdict] for verdict in several)))


def exactly(answers: set[bool]) -> Verdict:
    return {frozenset({True}): MET, frozenset({False}): NOT_MET}.get(frozenset(answers), CANNOT_TELL)


@given(verdicts)
def test_independent_parts_are_combined_exactly(several: list[Verdict]) -> None:
    assert truth.all_of(several) == exactly({all(world) for world in worlds(several)})
    assert truth.any_of(several) == exactly({any(world) for world in worlds(several)})


@given(verdicts, st.integers(0, 6))
def test_a_count_is_exact_too(several: list[Verdict], count: int) -> None:
    assert truth.at_least_of(count, several) == exactly({sum(world) >= count for world in worlds(several)})


@pytest.mark.parametrize(
    ("several", "expected"),
    [
        ([MET, MET], MET),
        ([NOT_MET], NOT_MET),
        ([MET, NOT_MET], CANNOT_TELL),
        ([CANNOT_TELL], CANNOT_TELL),
        ([], CANNOT_TELL),
    ],
)
def test_possible_cases_must_agree(several: list[Verdict], expected: Verdict) -> None:
    assert truth.unanimous(several) is expected
