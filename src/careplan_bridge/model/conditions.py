"""Walks over conditions: those that one is made of, down to those that are made of no others."""

from collections.abc import Iterator

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


def simple(condition: Condition) -> Iterator[WithinBounds | OtherSide | Change | TimeSince | FindingIs]:
    """The conditions that are not made of others, in their order."""
    match condition:
        case AllOf() | AnyOf() | AtLeastOf():
            for part in condition.conditions:
                yield from simple(part)
        case FirstDoneOf():
            yield from (rung.condition for rung in condition.alternatives)
        case _:
            yield condition
