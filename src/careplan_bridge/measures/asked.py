"""What is asked of a person's record, so that entries nobody asks for are passed over before anything is made of them.

A site's feed holds many kinds of Observations, a stage asks for a few. What a code can mean is found out once for each code, and
whether side and qualifiers fit once for each shape.
"""

from collections.abc import Callable, Mapping

from careplan_bridge.measures.careful import Careful
from careplan_bridge.measures.entry import DECODER, Entry
from careplan_bridge.measures.loose import decode
from careplan_bridge.measures.shapes import Shape

Wants = Callable[[str, str | None, Mapping[str, str]], bool]

_MOST = 8192  # codes and shapes that are remembered; a hostile feed must not fill the memory
_NOTHING = DECODER.decode(b"{}").code  # the default that every absent member is


class Asked:
    """`measures` are those asked for; `wants` tells whether a reading of this measure, side and qualifiers could be meant."""

    def __init__(self, careful: Careful, measures: frozenset[str], wants: Wants) -> None:
        self._careful = careful
        self._measures = measures
        self._wants = wants
        self._passed: set[bytes] = set()
        self._seen: set[bytes] = set()
        self._shapes: dict[Shape, bool] = {}

    def may_say(self, entry: Entry) -> bool:
        """Could the entry say anything about what is asked for, by its code and the members it has?

        Components and panels bring codes of their own; words may say more than their code does.
        """
        code = bytes(entry.code)
        if code not in self._passed and (code in self._seen or not self._learn(code)):
            return True
        return not (
            entry.component is _NOTHING
            and entry.hasMember is _NOTHING
            and entry.valueString is _NOTHING
            and entry.valueCodeableConcept is _NOTHING
            and entry.valueRange is _NOTHING
            and entry.valueRatio is _NOTHING
        )

    def wants(self, shape: Shape) -> bool:
        """Could a number of this shape be meant? Whatever is not plain, could."""
        if shape.recipe is None:
            return True
        known = self._shapes.get(shape)
        if known is None:
            known = self._shapes[shape] = self._wants(shape.recipe.measure, shape.recipe.side, shape.recipe.qualifiers)
        return known

    def _learn(self, code: bytes) -> bool:
        """Notes what the code can mean; true if it can be passed over."""
        if len(self._seen) + len(self._passed) >= _MOST:
            self._seen.clear()
            self._passed.clear()
        measures = self._careful.measures_of(decode(code) if code else None)
        passed = measures is not None and not measures & self._measures
        (self._passed if passed else self._seen).add(code)
        return passed
