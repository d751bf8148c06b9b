"""A text as items: labels, values and the ends of clauses, each with its place. Every word has a meaning, or the text is refused."""

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal

from careplan_bridge.measures.amounts import Amounts, number_of, unknown
from careplan_bridge.measures.landmarks import UnitOf
from careplan_bridge.measures.lexicon import MOVEMENT, Lexicon, Sense
from careplan_bridge.measures.numbers import unknown_unit
from careplan_bridge.measures.qualifiers import Claim
from careplan_bridge.measures.refusal import Refused
from careplan_bridge.measures.tokens import Token, tokens
from careplan_bridge.measures.words import Said, level_of
from careplan_bridge.model.conventions import Conventions
from careplan_bridge.model.measure import Measure

_COLON = (":", "=")
_LETTERS = {"a": "active", "p": "passive"}


@dataclass(slots=True)
class Item:
    """A label (`sense`), a value (`said`, or a level by name, `up_to` another one), or none of them: the end of a clause."""

    at: int
    sense: Sense | None = None
    said: Said | None = None
    level: str | None = None
    up_to: str | None = None

    @property
    def is_value(self) -> bool:
        return self.said is not None or self.level is not None

    @property
    def is_end(self) -> bool:
        return not self.is_value and self.sense is None


class Items:
    """The items of one text about one measure, or about the first measure of an arc."""

    def __init__(self, text: str, lexicon: Lexicon, measure: Measure, site: Conventions, unit_of: UnitOf) -> None:
        self._text, self._tokens = text, tokens(text)
        self._lexicon, self._measure, self._site, self._unit_of = lexicon, measure, site, unit_of
        self._depth = 0

    def all(self) -> Iterator[Item]:
        """Raises Refused where a word is unknown."""
        place = 0
        while place < len(self._tokens):
            items, place = self._next(place)
            yield from items

    def _next(self, place: int) -> tuple[list[Item], int]:
        token = self._tokens[place]
        if token.kind in ("open", "close"):
            return self._bracket(token, place)
        if token.text in _COLON:
            return [], place + 1
        if token.kind == "separator" or token.folded in ("and", "&"):
            return [Item(token.start)], place + 1
        return self._landmark(place) or self._value_or_label(place)

    def _bracket(self, token: Token, place: int) -> tuple[list[Item], int]:
        """What stands in brackets explains the value before them; a value of its own is not read there."""
        self._depth += 1 if token.kind == "open" else -1
        if self._depth not in (0, 1):
            raise unknown(token)
        return [], place + 1

    def _landmark(self, place: int) -> tuple[list[Item], int] | None:
        found = self._lexicon.level(self._tokens, place, self._unit_of, self._number)
        if found is None:
            return None
        senses, after = found
        return [Item(self._tokens[place].start, sense) for sense in senses], after

    def _number(self, written: str) -> Decimal:
        return number_of(written, self._site)

    def _value_or_label(self, place: int) -> tuple[list[Item], int]:
        item, after = self._value(place) or self._label(place)
        if self._depth and item.is_value:
            raise unknown(self._tokens[place])
        return [item], after

    def _value(self, place: int) -> tuple[Item, int] | None:
        if self._measure.unit is None and (found := self._levels(place)):
            return found
        phrase = self._lexicon.at(self._tokens, place)
        if phrase is not None:
            return None
        reader = Amounts(self._tokens, place, self._site, self._unit_of)
        said = reader.said()
        return (Item(self._tokens[place].start, said=said), reader.place) if said is not None else None

    def _levels(self, place: int) -> tuple[Item, int] | None:
        """One level, or two with `to` between them. A dash is none: `4-5` may be the level 4- or the levels 4 to 5."""
        first = self._level(place)
        if first is None:
            return None
        name, after = first
        at_to = after < len(self._tokens) and self._tokens[after].folded == "to"
        second = self._level(after + 1) if at_to else None
        up_to, after = second or (None, after)
        return Item(self._tokens[place].start, level=name, up_to=up_to), after

    def _level(self, place: int) -> tuple[str, int] | None:
        """The longest run of tokens that is a level; a name never ends within another word or number."""
        for end in range(len(self._tokens), place, -1):
            name = level_of(self._measure, self._text[self._tokens[place].start : self._tokens[end - 1].end])
            if name is not None:
                return name, end
        return None

    def _label(self, place: int) -> tuple[Item, int]:
        token = self._tokens[place]
        found = self._lexicon.at(self._tokens, place)
        if found is None:
            return Item(token.start, self._letter(place)), place + 1
        sense, length = found
        said = Said((sense.number,)) if sense.number is not None else None
        return Item(token.start, sense, said, sense.level), place + length

    def _letter(self, place: int) -> Sense:
        """A and P are active and passive where both of them stand before values; one alone may mean anything. Raises Refused."""
        token = self._tokens[place]
        # `a` is an article as well: `a bit swollen`.
        if token.folded not in _LETTERS or (token.text.islower() and not self._is_before_a_value(place)):
            raise self._not_understood(place)
        if not self._letters_are_movements():
            raise Refused("words-letter", letter=token.text, at=str(token.start + 1))
        return Sense(claim=Claim(MOVEMENT, _LETTERS[token.folded], strict=True))

    def _letters_are_movements(self) -> bool:
        letters = [place for place, token in enumerate(self._tokens) if token.folded in _LETTERS]
        both = {self._tokens[place].folded for place in letters} == set(_LETTERS)
        return both and self._lexicon.moves and all(map(self._is_before_a_value, letters))

    def _is_before_a_value(self, letter: int) -> bool:
        behind = [token for token in self._tokens[letter + 1 :] if token.text not in _COLON]
        return bool(behind) and behind[0].kind in ("number", "comparator", "dash", "plus")

    def _not_understood(self, place: int) -> Refused:
        """A word right behind a number is a unit, and the site's alias may settle it."""
        token = self._tokens[place]
        before = self._tokens[place - 1] if place else None
        if token.kind == "word" and before is not None and before.kind == "number" and self._measure.unit:
            return unknown_unit(token.text, self._measure)
        return unknown(token)
