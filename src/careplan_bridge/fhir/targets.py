"""What a FHIR target can say of a criterion: one inclusive range, or one level, of one measure.

Several targets of a goal must all hold, so alternatives give none. Where a target would say less than the criterion (a strict
bound, visits in a row, a comparison), it names the measure and no value; the criterion extension says the rest.
"""

from collections.abc import Iterator

from careplan_bridge.fhir.conditions import Vocabulary
from careplan_bridge.fhir.elements import Element, quantity
from careplan_bridge.fhir.qualifiers import qualifier_extensions
from careplan_bridge.model.criterion import AllOf, Change, Condition, Measured, OtherSide, WithinBounds
from careplan_bridge.model.value import Bounds


def targets(condition: Condition, words: Vocabulary, sides: dict[str, str] | None = None) -> list[Element]:
    """Targets that the condition implies. `sides` gives the person's left or right for involved and uninvolved."""
    return [_target(part, words, sides or {}) for part in _all_needed(condition)]


def _all_needed(condition: Condition) -> Iterator[WithinBounds | OtherSide | Change]:
    if isinstance(condition, WithinBounds | OtherSide | Change):
        yield condition
    elif isinstance(condition, AllOf):
        for part in condition.conditions:
            yield from _all_needed(part)


def _target(part: WithinBounds | OtherSide | Change, words: Vocabulary, sides: dict[str, str]) -> Element:
    return {**_measure(part.measured, words, sides), **_detail(part, words)}


def _measure(measured: Measured, words: Vocabulary, sides: dict[str, str]) -> Element:
    side = sides.get(measured.side or "", measured.side)
    extensions = qualifier_extensions(words.facts[measured.measure], measured.qualifiers, side)
    return {**({"extension": extensions} if extensions else {}), "measure": words.measure(measured.measure)}


def _detail(part: WithinBounds | OtherSide | Change, words: Vocabulary) -> Element:
    if not isinstance(part, WithinBounds) or part.visits_in_a_row > 1:
        return {}
    if not (part.bounds.low_included and part.bounds.high_included):
        return {}
    unit = words.facts[part.measured.measure].unit
    return _level(part, words) if unit is None else {"detailRange": _range(part.bounds, unit)}


def _range(bounds: Bounds, unit: str) -> Element:
    ends = (("low", bounds.low), ("high", bounds.high))
    return {name: quantity(end.number, unit) for name, end in ends if end is not None and end.number is not None}


def _level(part: WithinBounds, words: Vocabulary) -> Element:
    """A range of levels cannot be said; one level can."""
    low, high = part.bounds.low, part.bounds.high
    if low is None or low != high or low.level is None:
        return {}
    return {"detailCodeableConcept": words.level(part.measured.measure, low.level)}
