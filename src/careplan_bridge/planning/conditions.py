"""Walks over conditions: the statements about readings that a criterion is made of."""

from collections.abc import Iterator

from careplan_bridge.model.criterion import (
    AllOf,
    AnyOf,
    AtLeastOf,
    Change,
    Condition,
    FindingIs,
    FirstDoneOf,
    Measured,
    OtherSide,
    WithinBounds,
)


def measured(condition: Condition) -> Iterator[Measured]:
    """Every measured part of a condition, nested ones included."""
    if isinstance(condition, WithinBounds | OtherSide | Change):
        yield condition.measured
    for part in parts(condition):
        yield from measured(part)


def has_finding(condition: Condition) -> bool:
    return isinstance(condition, FindingIs) or any(has_finding(part) for part in parts(condition))


def parts(condition: Condition) -> tuple[Condition, ...]:
    """The conditions directly inside this one."""
    if isinstance(condition, AllOf | AnyOf | AtLeastOf):
        return condition.conditions
    if isinstance(condition, FirstDoneOf):
        return tuple(alternative.condition for alternative in condition.alternatives)
    return ()
