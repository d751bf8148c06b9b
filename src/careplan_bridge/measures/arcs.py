"""Measures that are written together: `0-130` of the knee is no deficit and 130 of flexion.

Two numbers that start with 0 can mean one thing only. All other forms need the site's word: `arc`, and for three numbers the
order, unless only one order is plausible.
"""

from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from typing import NamedTuple

from careplan_bridge.measures.numbers import check_plausible, plausible_range
from careplan_bridge.measures.pieces import Piece
from careplan_bridge.measures.refusal import Refused
from careplan_bridge.measures.words import Said
from careplan_bridge.model.conventions import Conventions
from careplan_bridge.model.measure import Arc, ArcEnd, Catalogue
from careplan_bridge.model.reading import Caveat, Recorded
from careplan_bridge.model.value import Amount

ORDER = Caveat(
    "triple-order", "the order of the three numbers is not declared; only this one is plausible", weakens=False
)
_TWO, _THREE = 2, 3


class _End(NamedTuple):
    """What one end reads: its number, and whether it lies past neutral or stays short of it."""

    measure: str | None
    value: Decimal


def arc_measures(arc: Arc) -> list[str]:
    """Every measure that an arc may hold a value of."""
    named = [name for end in arc.ends for name in (end.short_of_neutral, end.past_neutral)]
    return [name for name in named if name is not None]


def arc_pieces(
    arc: Arc, catalogue: Catalogue, site: Conventions, said: Said, recorded: Recorded, first: int | None = None
) -> list[Piece]:
    """The ends of the arc, in its own order; `first` is the place of the end that the entry itself names first.

    Raises Refused where the numbers can be read in more than one way.
    """
    if said.sign or said.comparator or said.out_of is not None:
        raise Refused("arc-undeclared")
    if len(said.numbers) == _TWO:
        return _pieces(_two(arc, site, said.numbers), catalogue, site, recorded, ())
    if len(said.numbers) == _THREE:
        return _three(arc, catalogue, site, said.numbers, recorded, first)
    raise Refused("arc-one-number", arc=arc.term)


def _two(arc: Arc, site: Conventions, numbers: tuple[Decimal, ...]) -> list[_End]:
    short, past = numbers
    if not arc.two_number or (short != 0 and site.arc != "two-number"):
        raise Refused("arc-undeclared")
    first, second = arc.ends
    return [_End(first.short_of_neutral, short), _End(second.past_neutral, past)]


def _three(
    arc: Arc,
    catalogue: Catalogue,
    site: Conventions,
    numbers: tuple[Decimal, ...],
    recorded: Recorded,
    named: int | None,
) -> list[Piece]:
    if site.arc != "neutral-zero":
        raise Refused("arc-undeclared")
    orders = list(_orders(arc, site)) if named is None else [named]
    found = [ends for first in orders if (ends := _triple(arc, first, numbers)) is not None]
    if len(orders) == 1:
        return _pieces(found[0] if found else [], catalogue, site, recorded, ())
    possible = [ends for ends in found if all(_plausible(end, catalogue, site) for end in ends)]
    if len({tuple(sorted(_named(ends))) for ends in possible}) != 1:
        raise Refused("arc-undeclared")
    return _pieces(possible[0], catalogue, site, recorded, (ORDER,))


def _orders(arc: Arc, site: Conventions) -> Iterator[int]:
    """The places of the end that is written first; both, where no order is declared for this arc."""
    declared = site.triple_order if arc.triple_order else None
    for place, end in enumerate(arc.ends):
        if declared is None or declared == f"{end.name}-first":
            yield place


def _triple(arc: Arc, first: int, numbers: tuple[Decimal, ...]) -> list[_End] | None:
    """a-0-b: both ends past neutral. 0-a-b: the first stays a short of it. b-a-0: so does the second. None if it is none of these."""
    one, other = arc.ends[first], arc.ends[1 - first]
    left, middle, right = numbers
    if middle == 0:
        return [_past_or_neutral(one, left), _past_or_neutral(other, right)]
    if left == 0:
        return [_End(one.short_of_neutral, middle), _End(other.past_neutral, right)]
    if right == 0:
        return [_End(one.past_neutral, left), _End(other.short_of_neutral, middle)]
    return None


def _past_or_neutral(end: ArcEnd, value: Decimal) -> _End:
    """An end at neutral lacks nothing, where the catalogue has a measure of what lacks."""
    at_neutral = value == 0 and end.short_of_neutral is not None
    return _End(end.short_of_neutral if at_neutral else end.past_neutral, value)


def _plausible(end: _End, catalogue: Catalogue, site: Conventions) -> bool:
    if end.measure is None:
        return False
    measure = catalogue.measures[end.measure]
    within = plausible_range(measure, {}, site)
    try:
        check_plausible(Amount(end.value, end.value, measure.unit or ""), within)
    except Refused:
        return False
    return True


def _named(ends: list[_End]) -> list[tuple[str, Decimal]]:
    return [(end.measure or "", end.value) for end in ends]


def _pieces(
    ends: list[_End], catalogue: Catalogue, site: Conventions, recorded: Recorded, caveats: tuple[Caveat, ...]
) -> list[Piece]:
    if not ends:
        raise Refused("arc-undeclared")
    pieces = [replace(_piece(end, catalogue, recorded), caveats=caveats) for end in ends]
    for piece in pieces:
        _check(piece, catalogue, site)
    return pieces


def _check(piece: Piece, catalogue: Catalogue, site: Conventions) -> None:
    """One end that cannot be leaves the other in doubt: perhaps the numbers are no arc."""
    if isinstance(piece.value, Amount):
        check_plausible(piece.value, plausible_range(catalogue.measures[piece.measure], {}, site))


def _piece(end: _End, catalogue: Catalogue, recorded: Recorded) -> Piece:
    if end.measure is None:
        raise Refused("arc-not-covered")
    unit = catalogue.measures[end.measure].unit or ""
    return Piece(end.measure, Amount(end.value, end.value, unit), recorded, part=end.measure)
