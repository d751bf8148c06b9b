"""The level at which a limb is measured round: a distance from a place on it, or the place itself.

`10 cm above the patella` and `4 in proximal to patella` are the same kind of thing and become one spelling, the distance in
centimetres, so that readings at one level are seen to be at one level.
"""

from collections.abc import Callable, Sequence
from decimal import Decimal
from typing import NamedTuple, TypeVar

from careplan_bridge.measures.qualifiers import plain
from careplan_bridge.measures.refusal import Refused
from careplan_bridge.measures.tokens import Token, folded
from careplan_bridge.measures.units import convert
from careplan_bridge.model.measure import Landmark

LANDMARK, LIMB = "landmark", "limb"
_DIRECTIONS = {
    ("above",): "above",
    ("proximal", "to"): "above",
    ("below",): "below",
    ("distal", "to"): "below",
}
_ARTICLE = "the"

UnitOf = Callable[[str], str | None]
Found = TypeVar("Found")


class Level(NamedTuple):
    """`says` is the qualifier's value; `limb` the part of the limb that lies there, where the place decides it; `after` ends it."""

    says: str
    limb: str | None
    after: int


class Landmarks:
    """The places that the catalogue knows."""

    def __init__(self, landmarks: Sequence[Landmark]) -> None:
        self._places = {folded(said): one for one in landmarks for said in (one.name, *one.say)}

    def at(
        self, tokens: Sequence[Token], place: int, unit_of: UnitOf, number: Callable[[str], Decimal]
    ) -> Level | None:
        """The level that begins at this token. Raises Refused for a distance without a unit, or from a place nobody knows."""
        if tokens[place].folded == "at":
            return self._place_alone(tokens, place + 1)
        if tokens[place].kind != "number":
            return None
        unit = unit_of(_text(tokens, place + 1))
        direction = _longest(_DIRECTIONS, tokens, place + 1 if unit is None else place + 2)
        if direction is None:
            return None
        if unit is None:
            raise Refused("unit-missing", measure="the distance from a landmark")
        return self._measured(tokens, direction, _centimetres(number(tokens[place].text), unit))

    def _place_alone(self, tokens: Sequence[Token], place: int) -> Level | None:
        found = _longest(self._places, tokens, _after_article(tokens, place))
        return None if found is None else Level(found[0].name, None, found[1])

    def _measured(self, tokens: Sequence[Token], direction: tuple[str, int], distance: Decimal) -> Level:
        way, place = direction[0], _after_article(tokens, direction[1])
        found = _longest(self._places, tokens, place)
        if found is None:
            raise Refused("words-unknown", at=str(tokens[min(place, len(tokens) - 1)].start + 1))
        landmark, after = found
        limb = landmark.above if way == "above" else landmark.below
        return Level(f"{plain(distance)} cm {way} {landmark.name}", limb, after)


def _centimetres(distance: Decimal, unit: str) -> Decimal:
    found = convert(distance, unit, "cm")
    if found is None:
        raise Refused("unit-unfit", unit=unit, measure="the distance from a landmark", wanted="cm")
    return found


def _text(tokens: Sequence[Token], place: int) -> str:
    return tokens[place].text if place < len(tokens) else ""


def _after_article(tokens: Sequence[Token], place: int) -> int:
    return place + 1 if place < len(tokens) and tokens[place].folded == _ARTICLE else place


def _longest(phrases: dict[tuple[str, ...], Found], tokens: Sequence[Token], place: int) -> tuple[Found, int] | None:
    """What the longest phrase that begins here means, and the place behind it."""
    for length in range(max(map(len, phrases), default=0), 0, -1):
        words = tuple(token.folded for token in tokens[place : place + length])
        if words in phrases:
            return phrases[words], place + len(words)
    return None
