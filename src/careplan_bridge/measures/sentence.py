"""A text as values with their labels: tokens, then items, then clauses.

A label before a value belongs to it and to those after it, until a label of the same kind takes its place. A label after a value
belongs to that value alone, and only where its clause has no other. Where that leaves a doubt the text is refused. A word that says
the test was done differently weakens the values of its clause, or all of them where it stands alone.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from careplan_bridge.measures.amounts import Amounts, IsUnit, unknown
from careplan_bridge.measures.lexicon import Lexicon, Sense
from careplan_bridge.measures.refusal import Refused
from careplan_bridge.measures.tokens import Token, tokens
from careplan_bridge.measures.words import Said, level_of
from careplan_bridge.model.conventions import Conventions
from careplan_bridge.model.measure import Measure
from careplan_bridge.model.reading import Caveat

_LONGEST = 400  # characters; a value with its words is shorter, a letter is not read
_COLON = (":", "=")


@dataclass(slots=True)
class Item:
    """A label (`sense`), a value (`said`, or a level by name), or both None: the end of a clause."""

    at: int
    sense: Sense | None = None
    said: Said | None = None
    level: str | None = None

    @property
    def is_value(self) -> bool:
        return self.said is not None or self.level is not None

    @property
    def is_end(self) -> bool:
        return not self.is_value and self.sense is None


@dataclass(slots=True)
class Clause:
    """One value with everything that is said of it."""

    item: Item
    labels: dict[str, Sense]
    caveats: list[Caveat] = field(default_factory=list[Caveat])


def clauses(text: str, lexicon: Lexicon, measure: Measure, site: Conventions, is_unit: IsUnit) -> list[Clause]:
    """Every value of the text. Raises Refused where a word is unknown or belongs to no value for certain."""
    if len(text) > _LONGEST:
        raise Refused("words-unknown", at=str(_LONGEST))
    items = list(_Items(text, lexicon, measure, site, is_unit).all())
    found = _Placing().placed(items)
    if not found:
        raise Refused("words-unknown", at="1")
    return found


class _Items:
    def __init__(self, text: str, lexicon: Lexicon, measure: Measure, site: Conventions, is_unit: IsUnit) -> None:
        self._text, self._tokens = text, tokens(text)
        self._lexicon, self._measure, self._site, self._is_unit = lexicon, measure, site, is_unit
        self._depth = 0

    def all(self) -> Iterator[Item]:
        place = 0
        while place < len(self._tokens):
            item, place = self._next(place)
            if item is not None:
                yield item

    def _next(self, place: int) -> tuple[Item | None, int]:
        token = self._tokens[place]
        if token.kind in ("open", "close"):
            return self._bracket(token, place)
        if token.text in _COLON:
            return None, place + 1
        if token.kind == "separator" or token.folded in ("and", "&"):
            return Item(token.start), place + 1
        item, after = self._value(place) or self._label(place)
        if self._depth and item.is_value:
            raise unknown(token)
        return item, after

    def _bracket(self, token: Token, place: int) -> tuple[None, int]:
        """What stands in brackets explains the value before them; a value of its own is not read there."""
        self._depth += 1 if token.kind == "open" else -1
        if self._depth not in (0, 1):
            raise unknown(token)
        return None, place + 1

    def _value(self, place: int) -> tuple[Item, int] | None:
        if self._measure.unit is None and (found := self._level(place)):
            return found
        phrase = self._lexicon.at(self._tokens, place)
        if phrase is not None:
            return None
        reader = Amounts(self._tokens, place, self._site, self._is_unit)
        said = reader.said()
        return (Item(self._tokens[place].start, said=said), reader.place) if said is not None else None

    def _level(self, place: int) -> tuple[Item, int] | None:
        """The longest run of tokens that is a level; a name never ends within another word or number."""
        start = self._tokens[place].start
        for end in range(len(self._tokens), place, -1):
            name = level_of(self._measure, self._text[start : self._tokens[end - 1].end])
            if name is not None:
                return Item(start, level=name), end
        return None

    def _label(self, place: int) -> tuple[Item, int]:
        token = self._tokens[place]
        found = self._lexicon.at(self._tokens, place)
        if found is None:
            raise self._not_understood(token, place)
        sense, length = found
        said = Said((sense.number,)) if sense.number is not None else None
        return Item(token.start, sense, said, sense.level), place + length

    def _not_understood(self, token: Token, place: int) -> Refused:
        """A word right behind a number is a unit, and the site's alias may settle it."""
        before = self._tokens[place - 1] if place else None
        if token.kind == "word" and before is not None and before.kind == "number" and self._measure.unit:
            return Refused("unit-unknown", unit=token.text)
        return unknown(token)


class _Placing:
    """Gives labels to values, clause by clause."""

    def __init__(self) -> None:
        self._found: list[Clause] = []
        self._carried: dict[str, Sense] = {}
        self._late: list[Item] = []
        self._everywhere: list[Caveat] = []

    def placed(self, items: Sequence[Item]) -> list[Clause]:
        for clause in _split(items):
            self._place(clause)
        self._place_late()
        for clause in self._found:
            clause.caveats += [one for one in self._everywhere if one not in clause.caveats]
        return self._found

    def _place(self, clause: list[Item]) -> None:
        count = sum(item.is_value for item in clause)
        if count == 0:
            self._without_value(clause)
        elif count == 1:
            self._one(clause)
        else:
            self._several(clause)

    def _without_value(self, clause: list[Item]) -> None:
        """Labels before the first value hold for what follows; behind one, they can only mean a value that stands alone."""
        self._everywhere += _caveats(clause)
        labels = _labels(clause)
        if not self._found:
            self._carried |= _agreed(labels)
        else:
            self._late += labels

    def _one(self, clause: list[Item]) -> None:
        place = next(index for index, item in enumerate(clause) if item.is_value)
        self._carried |= _agreed(_labels(clause[:place]))
        own = _agreed(_labels(clause))
        self._found.append(Clause(clause[place], self._carried | own, _caveats(clause)))

    def _several(self, clause: list[Item]) -> None:
        """Each value needs a label in front of it; a label at the end would belong to nothing for certain."""
        labels: list[Item] = []
        caveats = _caveats(clause)
        for item in clause:
            if not item.is_value:
                labels += _labels([item])
                continue
            if not labels and item.sense is None:
                raise Refused("words-unplaced", at=str(item.at + 1))
            self._carried |= _agreed(labels)
            self._found.append(Clause(item, dict(self._carried), list(caveats)))
            labels = []
        self._refuse(labels)

    def _place_late(self) -> None:
        if not self._late:
            return
        if len(self._found) != 1:
            self._refuse(self._late)
        said = _agreed(self._late)
        for kind, sense in said.items():
            if self._found[0].labels.get(kind, sense) != sense and kind != "measure":
                raise Refused("words-disagree", at=str(self._late[0].at + 1))
        self._found[0].labels |= said

    def _refuse(self, labels: list[Item]) -> None:
        if labels:
            raise Refused("words-unplaced", at=str(labels[0].at + 1))


def _split(items: Sequence[Item]) -> Iterator[list[Item]]:
    clause: list[Item] = []
    for item in items:
        if item.is_end:
            yield clause
            clause = []
        else:
            clause.append(item)
    yield clause


def _labels(clause: Sequence[Item]) -> list[Item]:
    return [item for item in clause if item.sense and (item.sense.caveat is None or item.is_value)]


def _caveats(clause: Sequence[Item]) -> list[Caveat]:
    return [item.sense.caveat for item in clause if item.sense and item.sense.caveat]


def _agreed(labels: Sequence[Item]) -> dict[str, Sense]:
    """The labels by kind. Names of measures narrow each other; any other two of one kind contradict each other."""
    found: dict[str, Sense] = {}
    for item in labels:
        sense = item.sense
        if sense is None:
            continue
        other = found.get(sense.kind)
        if other is not None and other.names is not None and sense.names is not None:
            sense = Sense(other.names & sense.names)
        elif other is not None and other != sense:
            raise Refused("words-disagree", at=str(item.at + 1))
        found[sense.kind] = sense
    return found
