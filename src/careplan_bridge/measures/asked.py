"""What is asked of a person's record, so that entries nobody asks for are passed over before anything is made of them.

A site's feed holds many kinds of Observations, a stage asks for a few. What a code can mean is found out once for each code, and
whether side and qualifiers fit once for each shape.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping

from careplan_bridge.measures.careful import Careful
from careplan_bridge.measures.entry import ABSENT, Glance
from careplan_bridge.measures.loose import decode
from careplan_bridge.measures.shapes import Shape

Wants = Callable[[str, str | None, Mapping[str, str]], bool]

_MOST = 8192  # codes and shapes that are remembered; a hostile feed must not fill the memory


class Asked:
    """`measures` are those asked for; `wants` tells whether a reading of this measure, side and qualifiers could be meant."""

    def __init__(self, careful: Careful, measures: frozenset[str], wants: Wants) -> None:
        self._careful = careful
        self._measures = measures
        self._wants = wants
        self._passed: set[bytes] = set()
        self._looked_at: set[bytes] = set()
        self._shapes: dict[Shape, bool] = {}

    def telling(self, glances: Iterable[Glance], lines: Iterable[bytes]) -> Iterator[bytes]:
        """The lines that could say anything about what is asked for.

        Components and panels bring codes of their own, and words may say more than their code does.
        """
        passed = self._passed
        unsure = [
            (glance, line)
            for glance, line in zip(glances, lines, strict=True)
            if bytes(glance.code) not in passed
            or glance.component is not ABSENT
            or glance.hasMember is not ABSENT
            or glance.valueString is not ABSENT
        ]
        return (line for glance, line in unsure if not self._may_be_passed(glance))

    def wants(self, shape: Shape) -> bool:
        """Could an entry of this shape be meant? Whatever is not a plain number, could."""
        if shape.recipe is None:
            return True
        known = self._shapes.get(shape)
        if known is None:
            if len(self._shapes) >= _MOST:
                self._shapes.clear()
            known = self._shapes[shape] = self._wants(shape.recipe.measure, shape.recipe.side, shape.recipe.qualifiers)
        return known

    def _may_be_passed(self, glance: Glance) -> bool:
        code = bytes(glance.code)
        if code not in self._looked_at and code not in self._passed:
            self._learn(code)
        alone = glance.component is ABSENT and glance.hasMember is ABSENT and glance.valueString is ABSENT
        return alone and code in self._passed

    def _learn(self, code: bytes) -> None:
        """Notes whether the code can mean anything that is asked for."""
        if len(self._looked_at) + len(self._passed) >= _MOST:
            self._looked_at.clear()
            self._passed.clear()
        measures = self._careful.measures_of(decode(code) if code else None)
        unasked = measures is not None and not measures & self._measures
        (self._passed if unasked else self._looked_at).add(code)
