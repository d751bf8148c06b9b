"""What one condition states, in a sentence: criteria bring their own, the parts of a compound get theirs here."""

from careplan_bridge.criteria import words
from careplan_bridge.criteria.record import Record
from careplan_bridge.model.criterion import (
    AllOf,
    AnyOf,
    AtLeastOf,
    Change,
    Condition,
    FindingIs,
    FirstDoneOf,
    OtherSide,
    TimeSince,
    WithinBounds,
)
from careplan_bridge.model.value import Bounds


def says(condition: Condition, record: Record) -> str:  # noqa: PLR0911 - one for each kind
    match condition:
        case WithinBounds() | OtherSide() | Change():
            return _measured(condition, record)
        case TimeSince():
            return f"at least {words.days(condition.at_least)} since {condition.surgery or 'surgery'}"
        case FindingIs():
            return condition.text if condition.expected == "present" else f"not found: {condition.text}"
        case FirstDoneOf():
            return f"first done of {len(condition.alternatives)}"
        case AllOf():
            return f"all of {len(condition.conditions)}"
        case AnyOf():
            return f"any of {len(condition.conditions)}"
        case AtLeastOf():
            return f"at least {condition.count} of {len(condition.conditions)}"


def _measured(condition: WithinBounds | OtherSide | Change, record: Record) -> str:
    measure = record.facts(condition.measured.measure)
    subject, unit = words.subject(condition.measured, measure), measure.unit or ""
    match condition:
        case WithinBounds():
            row = f" on {condition.visits_in_a_row} visits in a row" if condition.visits_in_a_row > 1 else ""
            return f"{subject} {words.bounds(condition.bounds, unit)}{row}"
        case Change():
            since = "the first visit" if condition.since == "baseline" else f"the best ({condition.best})"
            return f"{subject}, change since {since} {words.bounds(condition.bounds, unit)}"
        case OtherSide(index=None):
            return f"{subject}, side difference {words.bounds(condition.difference or Bounds(), unit)}"
        case OtherSide():
            return f"{subject}, limb symmetry index {words.bounds(condition.index or Bounds(), '%')}"
