"""A text as values with their labels: tokens, then items, then clauses.

A label before a value belongs to it and to those after it, until a label of the same kind takes its place. A label after a value
belongs to that value alone, and only where its clause has no other. Where that leaves a doubt the text is refused. A word that says
the test was done differently weakens the values of its clause, or all of them where it stands alone.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from careplan_bridge.measures.items import Item, Items
from careplan_bridge.measures.landmarks import LANDMARK, LIMB, UnitOf
from careplan_bridge.measures.lexicon import Lexicon, Sense
from careplan_bridge.measures.refusal import Refused
from careplan_bridge.model.conventions import Conventions
from careplan_bridge.model.measure import Measure
from careplan_bridge.model.reading import Caveat

_LONGEST = 400  # characters; a value with its words is shorter, a letter is not read


@dataclass(slots=True)
class Clause:
    """One value with everything that is said of it."""

    item: Item
    labels: dict[str, Sense]
    caveats: list[Caveat] = field(default_factory=list[Caveat])


def clauses(text: str, lexicon: Lexicon, measure: Measure, site: Conventions, unit_of: UnitOf) -> list[Clause]:
    """Every value of the text. Raises Refused where a word is unknown or belongs to no value for certain."""
    if len(text) > _LONGEST:
        raise Refused("words-unknown", at=str(_LONGEST))
    items = list(Items(text, lexicon, measure, site, unit_of).all())
    found = _Placing().placed(items)
    if not found:
        raise Refused("words-unknown", at="1")
    return found


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
            self._carry(_agreed(labels))
        else:
            self._late += labels

    def _one(self, clause: list[Item]) -> None:
        place = next(index for index, item in enumerate(clause) if item.is_value)
        self._carry(_agreed(_labels(clause[:place])))
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
            self._carry(_agreed(labels))
            self._found.append(Clause(item, dict(self._carried), list(caveats)))
            labels = []
        self._refuse(labels)

    def _carry(self, said: dict[str, Sense]) -> None:
        """What holds from here on. Another part of the limb leaves the level of the last one behind."""
        if LIMB in said and self._carried.get(LIMB) != said[LIMB]:
            self._carried.pop(LANDMARK, None)
        self._carried |= said

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
