"""A criterion as a structured extension: the whole condition, so that nothing of it is in our files only.

A FHIR target says one inclusive range of one measure. What it cannot say (strict bounds, the other side, visits in a row,
alternatives, age of a reading) stands here. `condition` nests in itself for combined conditions.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import assert_never

from careplan_bridge.fhir.elements import Element, compound, concept, days, extension, quantity
from careplan_bridge.fhir.qualifiers import qualifier_extensions
from careplan_bridge.model import fhir_names as names
from careplan_bridge.model.criterion import (
    AllOf,
    Alternative,
    AnyOf,
    AtLeastOf,
    Change,
    Condition,
    Criterion,
    FindingIs,
    FirstDoneOf,
    Measured,
    OtherSide,
    Restriction,
    TimeSince,
    WithinBounds,
)
from careplan_bridge.model.measure import Measure
from careplan_bridge.model.value import Bounds, Threshold

PER_CENT = "%"


@dataclass(frozen=True, slots=True)
class Vocabulary:
    """Where codes come from: the clinic's base, the protocol's url, and the facts of the measures named."""

    base: str
    protocol: str
    facts: Mapping[str, Measure]

    def measure(self, measure: str) -> Element:
        return concept(self.base + names.MEASURE_CODE_SYSTEM, measure, display=self.facts[measure].term)

    def level(self, measure: str, level: str) -> Element:
        """A level with a number in its name (`PWB 50%`) is no code of its own."""
        if level not in self.facts[measure].levels:
            return {"text": level}
        return concept(self.base + names.LEVEL_CODE_SYSTEM, level, text=level)

    def finding(self, finding: str, text: str) -> Element:
        return concept(self.protocol + names.FINDING_CODE_SYSTEM, finding, text=text)


def criterion_extension(criterion: Criterion, words: Vocabulary) -> Element:
    """The whole criterion but its sentence, which is the goal's description."""
    parts = [
        extension("id", valueString=criterion.id),
        *_duration("noOlderThan", criterion.no_older_than),
        *_duration("expectedBy", criterion.expected_by),
        *_duration("callSurgeonBy", criterion.call_surgeon_by),
        *(extension("accepts", valueString=caveat) for caveat in criterion.accepts),
        condition_extension(criterion.condition, words),
    ]
    return compound(names.CRITERION_EXTENSION, parts)


def limit_extension(restriction: Restriction, words: Vocabulary) -> Element:
    """What a restriction allows, as the condition that a reading has to keep."""
    return condition_extension(WithinBounds(measured=restriction.measured, bounds=restriction.bounds), words)


def condition_extension(condition: Condition, words: Vocabulary, rung: Iterable[Element] = ()) -> Element:
    """`rung`: what a ranked alternative says beside its condition."""
    return compound(names.CONDITION_EXTENSION, [*_parts(condition, words), *rung])


def _parts(condition: Condition, words: Vocabulary) -> list[Element]:
    # The kind's name is the one that plan documents use.
    return [extension("kind", valueCode=str(type(condition).__struct_config__.tag)), *_of_kind(condition, words)]


def _of_kind(condition: Condition, words: Vocabulary) -> list[Element]:
    match condition:
        case WithinBounds():
            parts = [*_measured(condition.measured, words), *_value_bounds(condition, words), *_row(condition)]
        case OtherSide():
            parts = [*_measured(condition.measured, words), *_compared(condition, words)]
        case Change():
            parts = [
                *_measured(condition.measured, words),
                *_value_bounds(condition, words),
                *_text("since", condition.since if condition.best is None else f"{condition.since} ({condition.best})"),
            ]
        case TimeSince():
            parts = [*_duration("atLeast", condition.at_least), *_text("surgery", condition.surgery)]
        case FindingIs():
            parts = _finding(condition, words)
        case AllOf() | AnyOf():
            parts = _inner(condition.conditions, words)
        case AtLeastOf():
            parts = [extension("count", valuePositiveInt=condition.count), *_inner(condition.conditions, words)]
        case FirstDoneOf():
            parts = [_alternative(rung, words) for rung in condition.alternatives]
        case _:
            assert_never(condition)
    return parts


def _finding(condition: FindingIs, words: Vocabulary) -> list[Element]:
    finding = words.finding(condition.finding, condition.text)
    return [extension("finding", valueCodeableConcept=finding), extension("expected", valueCode=condition.expected)]


def _measured(measured: Measured, words: Vocabulary) -> list[Element]:
    facts = words.facts[measured.measure]
    return [
        extension("measure", valueCodeableConcept=words.measure(measured.measure)),
        *qualifier_extensions(facts, measured.qualifiers, measured.side),
    ]


def _value_bounds(condition: WithinBounds | Change, words: Vocabulary) -> list[Element]:
    return _bounds(condition.bounds, words.facts[condition.measured.measure].unit)


def _compared(condition: OtherSide, words: Vocabulary) -> list[Element]:
    unit = words.facts[condition.measured.measure].unit
    index = [compound("index", _bounds(condition.index, PER_CENT))] if condition.index else []
    difference = [compound("difference", _bounds(condition.difference, unit))] if condition.difference else []
    return [*index, *difference]


def _bounds(bounds: Bounds, unit: str | None) -> list[Element]:
    excluded = [("lowIncluded", bounds.low_included), ("highIncluded", bounds.high_included)]
    return [
        *_end("low", bounds.low, unit),
        *_end("high", bounds.high, unit),
        *(extension(name, valueBoolean=False) for name, included in excluded if not included),
    ]


def _end(name: str, at: Threshold | None, unit: str | None) -> list[Element]:
    if at is None:
        return []
    if at.number is None:
        return [extension(name, valueString=at.level)]
    return [extension(name, valueQuantity=quantity(at.number, unit or "1"))]


def _row(condition: WithinBounds) -> list[Element]:
    return (
        [extension("visitsInARow", valuePositiveInt=condition.visits_in_a_row)] if condition.visits_in_a_row > 1 else []
    )


def _inner(conditions: Iterable[Condition], words: Vocabulary) -> list[Element]:
    return [condition_extension(condition, words) for condition in conditions]


def _alternative(rung: Alternative, words: Vocabulary) -> Element:
    beside = [*_duration("notBefore", rung.not_before), *_text("needs", rung.needs)]
    return condition_extension(rung.condition, words, beside)


def _duration(name: str, count: int | None) -> list[Element]:
    return [] if count is None else [extension(name, valueDuration=days(count))]


def _text(name: str, text: str | None) -> list[Element]:
    return [extension(name, valueString=text)] if text else []
