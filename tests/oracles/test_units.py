"""Our unit conversions and refusals against those of a UCUM library."""

from dataclasses import dataclass
from decimal import Decimal
from math import isclose

from tests.oracles import explained
from tests.oracles.explained import Kind, objections
from tests.oracles.units import RARE, WRONG, ours, pairs

# Theirs are binary fractions.
CLOSE = 1e-12


@dataclass(frozen=True, slots=True)
class Disagreement:
    unit_from: str
    unit_to: str
    ours: Decimal | None
    theirs: float | None

    def __str__(self) -> str:
        return f"{self.unit_from} to {self.unit_to}: we say {self.ours}, they say {self.theirs}"


def test_every_conversion_and_refusal_is_the_oracles_or_explained(ucum_answers: list[float | None]) -> None:
    found = [
        Disagreement(pair[1], pair[2], mine, theirs)
        for pair, theirs in zip(pairs(), ucum_answers, strict=True)
        for mine in [ours(pair)]
        if not _same(mine, theirs)
    ]
    said = objections(found, explained.kinds("ucum"), _covers)
    assert not said, "\n".join(said)


def test_nothing_is_converted_that_the_oracle_refuses(ucum_answers: list[float | None]) -> None:
    bolder = [
        pair for pair, theirs in zip(pairs(), ucum_answers, strict=True) if theirs is None and ours(pair) is not None
    ]
    assert not bolder


def test_enough_pairs_are_converted_and_refused(ucum_answers: list[float | None]) -> None:
    both = [(ours(pair), theirs) for pair, theirs in zip(pairs(), ucum_answers, strict=True)]
    converted = [one for one in both if None not in one]
    refused = [one for one in both if one == (None, None)]
    print(f"{len(both)} pairs: {len(converted)} converted by both, {len(refused)} refused by both")
    assert len(both) >= 300
    assert len(converted) >= 50
    assert len(refused) >= 300
    assert {one[1] for one in pairs()} >= {*RARE, *WRONG}


def _same(mine: Decimal | None, theirs: float | None) -> bool:
    if mine is None or theirs is None:
        return mine is theirs
    return isclose(float(mine), theirs, rel_tol=CLOSE)


def _covers(kind: Kind, one: Disagreement) -> bool:
    return one.unit_to in kind.of["to"] and one.unit_from in kind.of["from"]
