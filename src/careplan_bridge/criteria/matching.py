"""Which entries a statement is about: criteria ask strictly, restrictions loosely.

The answers are verdicts: met where the entry is certainly one of those meant, not met where it certainly is none.
"""

from collections.abc import Iterator, Mapping

from careplan_bridge.criteria.truth import CANNOT_TELL, MET, NOT_MET, all_of, truth
from careplan_bridge.model.check import Verdict
from careplan_bridge.model.criterion import Measured
from careplan_bridge.model.measure import FINDING, Measure

# A joint that must not go beyond 90 deg must not go there by its own muscles either, nor in another position.
_EVERY_WAY = frozenset({"movement", "position"})
_OTHER = {"left": "right", "right": "left"}


def strictly(
    wanted: Measured, side: str | None, qualifiers: Mapping[str, str], *, involved: str, measure: Measure | None
) -> Verdict:
    """What a criterion names must be known and equal; what it leaves out matches anything."""
    found = _side(wanted, side, involved, measure)
    for name, value in wanted.qualifiers.items():
        named = _equal(qualifiers.get(name), value)
        if named is NOT_MET:
            return NOT_MET
        if named is CANNOT_TELL:
            found = all_of((found, CANNOT_TELL))
    return found


def loosely(
    wanted: Measured, side: str | None, qualifiers: Mapping[str, str], *, involved: str, measure: Measure | None
) -> Verdict:
    """A restriction holds for every movement and in every position."""
    named = (_equal(qualifiers.get(name), value) for name, value in wanted.qualifiers.items() if name not in _EVERY_WAY)
    return all_of([_side(wanted, side, involved, measure), *named])


def other_side(side: str) -> str:
    return _OTHER.get(side, "")


def sides(side: str, involved: str) -> Iterator[str]:
    """The names that this side goes by."""
    yield side
    if side == involved:
        yield "involved"
    elif side == other_side(involved):
        yield "uninvolved"
    elif side in ("involved", "uninvolved") and involved in _OTHER:
        yield involved if side == "involved" else other_side(involved)


def _side(wanted: Measured, side: str | None, involved: str, measure: Measure | None) -> Verdict:
    rule = measure.side if measure else "required"
    if wanted.side is None or rule in ("none", "both") or wanted.measure == FINDING:
        return MET
    if side is None:
        # Where a side is optional, an entry without one is about the limb that is treated.
        return MET if rule == "optional" and wanted.side == "involved" else CANNOT_TELL
    if wanted.side in sides(side, involved):
        return MET
    return CANNOT_TELL if involved not in _OTHER and side in _OTHER else NOT_MET


def _equal(known: str | None, value: str) -> Verdict:
    return CANNOT_TELL if known is None else truth(known == value)
