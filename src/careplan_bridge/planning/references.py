"""References that a clinician's order names in place of the other limb, worked into the comparisons they are about."""

from collections.abc import Iterable, Iterator, Sequence
from typing import TypeVar

from msgspec.structs import replace

from careplan_bridge.measures.qualifiers import normal
from careplan_bridge.model.case import Order, ReferenceOrder
from careplan_bridge.model.criterion import AllOf, AnyOf, AtLeastOf, Condition, FirstDoneOf, OtherSide, Reference
from careplan_bridge.model.measure import Catalogue, Measure
from careplan_bridge.model.protocol import Stage
from careplan_bridge.planning.faults import listed, refuse
from careplan_bridge.protocol.quantity import Quantity, in_unit, shown_unit

Kind = TypeVar("Kind", bound=Condition)
_About = tuple[str, dict[str, str]]


def referred(stages: Sequence[Stage], orders: Sequence[Order], catalogue: Catalogue) -> tuple[Stage, ...]:
    """The stages with every reference in its comparisons. Raises PlanRefused naming each order that fits none."""
    asked = [(order, order.change) for order in orders if isinstance(order.change, ReferenceOrder)]
    if not asked:
        return tuple(stages)
    compared = [part for stage in stages for criterion in stage.criteria for part in _compared(criterion.condition)]
    refuse(fault for order, change in asked for fault in _faults(order, change, compared, catalogue))
    refuse(_twice(asked, compared, catalogue))
    known = [(_about(change, catalogue), _reference(order, change, catalogue)) for order, change in asked]
    return tuple(
        replace(
            stage,
            criteria=tuple(replace(one, condition=_with(one.condition, known)) for one in stage.criteria),
        )
        for stage in stages
    )


def _compared(condition: Condition) -> Iterator[OtherSide]:
    match condition:
        case OtherSide():
            yield condition
        case AllOf() | AnyOf() | AtLeastOf():
            for part in condition.conditions:
                yield from _compared(part)
        case FirstDoneOf():
            yield from (rung.condition for rung in condition.alternatives if isinstance(rung.condition, OtherSide))
        case _:
            return


def _faults(order: Order, change: ReferenceOrder, compared: Iterable[OtherSide], catalogue: Catalogue) -> Iterator[str]:
    measure = catalogue.measures.get(change.measure)
    if measure is None:
        yield f"Order {order.id!r} names a reference for {change.measure!r}, which is no measure; the list is in docs/measures.md."
        return
    unknown = [name for name in change.qualifiers if _value(change, name, measure) is None]
    lacking = [one.name for one in measure.qualifiers if one.required and one.name not in change.qualifiers]
    if unknown or lacking:
        yield (
            f"Order {order.id!r} names a reference for {measure.id}: "
            f"{f'{listed(unknown)} cannot be what is written' if unknown else f'it must say {listed(lacking)}'}."
        )
    elif in_unit(Quantity(change.value, change.unit), measure.unit or "", catalogue) is None:
        yield f"Order {order.id!r} gives a reference for {measure.id} in {change.unit!r}; write it in {shown_unit(measure.unit or '')}."
    elif not any(_fits(part, _about(change, catalogue)) for part in compared):
        yield f"Order {order.id!r} names a reference for {measure.id}, but no criterion of the plan compares it so with the other side."


def _twice(
    asked: Sequence[tuple[Order, ReferenceOrder]], compared: Iterable[OtherSide], catalogue: Catalogue
) -> Iterator[str]:
    for part in compared:
        names = [order.id for order, change in asked if _fits(part, _about(change, catalogue))]
        if len(names) > 1:
            yield f"Orders {listed(names)} name different references for {part.measured.measure}; let the later one replace the other."


def _with(condition: Kind, known: Sequence[tuple[_About, Reference]]) -> Kind:
    match condition:
        case OtherSide():
            found = next((reference for about, reference in known if _fits(condition, about)), None)
            return replace(condition, reference=found)
        case AllOf() | AnyOf() | AtLeastOf():
            return replace(condition, conditions=tuple(_with(part, known) for part in condition.conditions))
        case FirstDoneOf():
            rungs = (replace(rung, condition=_with(rung.condition, known)) for rung in condition.alternatives)
            return replace(condition, alternatives=tuple(rungs))
        case _:
            return condition


def _fits(part: OtherSide, about: _About) -> bool:
    measure, qualifiers = about
    return part.measured.measure == measure and all(
        part.measured.qualifiers.get(name) == value for name, value in qualifiers.items()
    )


def _about(change: ReferenceOrder, catalogue: Catalogue) -> _About:
    measure = catalogue.measures[change.measure]
    return change.measure, {name: _value(change, name, measure) or "" for name in change.qualifiers}


def _reference(order: Order, change: ReferenceOrder, catalogue: Catalogue) -> Reference:
    value = in_unit(Quantity(change.value, change.unit), catalogue.measures[change.measure].unit or "", catalogue)
    assert value is not None  # noqa: S101 - an order in another unit was refused
    return Reference(value=value, order=order.id, by=order.by)


def _value(change: ReferenceOrder, name: str, measure: Measure) -> str | None:
    """The catalogue's word for a qualifier; None where the measure has no such qualifier or value."""
    known = next((one for one in measure.qualifiers if one.name == name), None)
    return normal(known, change.qualifiers[name]) if known else None
