"""A clinician's finding: present, absent or not asked, however the value says it."""

from typing import Any

from careplan_bridge.measures.loose import codes, words, words_of
from careplan_bridge.measures.pieces import Piece
from careplan_bridge.measures.refusal import Refused
from careplan_bridge.model.measure import FINDING_LEVELS
from careplan_bridge.model.reading import Recorded
from careplan_bridge.model.value import Grade


def finding_piece(measure: str, kind: str, value: Any) -> Piece:
    """The finding's level. Raises Refused if the value says none of the three, or two of them."""
    said = _said(kind, value)
    levels = {word.casefold().replace(" ", "-") for word in said}
    if len(levels) != 1 or not levels <= set(FINDING_LEVELS):
        raise Refused("finding-unreadable")
    level = levels.pop()
    return Piece(measure, Grade(level, level), Recorded(None, next(iter(said))))


def _said(kind: str, value: Any) -> list[str]:
    """The words of the value; a code speaks for itself, its display need not be one of the three."""
    match kind:
        case "valueBoolean" if isinstance(value, bool):
            return ["present" if value else "absent"]
        case "valueString" if said := words_of(value):
            return [said]
        case "valueCodeableConcept":
            coded = [code for _, code in codes(value) if code in FINDING_LEVELS]
            return coded or list(words(value))
        case _:
            return []
