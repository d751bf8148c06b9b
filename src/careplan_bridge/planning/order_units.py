"""Bounds of orders in the unit or on the scale of the measure they limit.

A case file names no measure, so an order carries its unit as the surgeon's words were typed in; here it meets the restriction.
"""

from collections.abc import Iterable, Sequence

from msgspec.structs import replace

from careplan_bridge.model.case import Order, RestrictionOrder
from careplan_bridge.model.measure import Catalogue, Measure
from careplan_bridge.model.protocol import Stage
from careplan_bridge.model.value import Bounds, Threshold
from careplan_bridge.planning.faults import refuse
from careplan_bridge.protocol.quantity import Quantity, in_unit, level, shown_unit


def in_measure_units(orders: Sequence[Order], stages: Iterable[Stage], catalogue: Catalogue) -> tuple[Order, ...]:
    """The orders with their bounds converted. Raises PlanRefused naming every order whose unit or level does not fit."""
    measures = {
        restriction.id: catalogue.measures[restriction.measured.measure]
        for stage in stages
        for restriction in stage.restrictions
    }
    converted = {order.id: _converted(order, measures, catalogue) for order in orders}
    refuse(_misfit(order, measures) for order in orders if converted[order.id] is None)
    return tuple(converted[order.id] or order for order in orders)


def _converted(order: Order, measures: dict[str, Measure], catalogue: Catalogue) -> Order | None:
    """The order in its measure's terms; None where it does not fit."""
    change = order.change
    if not isinstance(change, RestrictionOrder) or change.bounds is None or change.restriction not in measures:
        return order
    bounds = _bounds(change, change.bounds, measures[change.restriction], catalogue)
    unit = measures[change.restriction].unit
    return None if bounds is None else replace(order, change=replace(change, bounds=bounds, unit=unit))


def _bounds(change: RestrictionOrder, bounds: Bounds, measure: Measure, catalogue: Catalogue) -> Bounds | None:
    ends = [(end, end and _threshold(end, change.unit, measure, catalogue)) for end in (bounds.low, bounds.high)]
    if any(written is not None and found is None for written, found in ends):
        return None
    return replace(bounds, low=ends[0][1], high=ends[1][1])


def _threshold(written: Threshold, unit: str | None, measure: Measure, catalogue: Catalogue) -> Threshold | None:
    if measure.unit is None:
        found = level(written.level, measure) if written.level is not None else None
        return Threshold(level=found) if found is not None else None
    if written.number is None or unit is None:
        return None
    number = in_unit(Quantity(written.number, unit), measure.unit, catalogue)
    return Threshold(number=number) if number is not None else None


def _misfit(order: Order, measures: dict[str, Measure]) -> str:
    assert isinstance(order.change, RestrictionOrder)  # noqa: S101 - only these carry bounds
    measure = measures[order.change.restriction]
    asked = f"a quantity in {shown_unit(measure.unit)}" if measure.unit else f"a level: {', '.join(measure.levels)}"
    return f"Order {order.id!r} bounds restriction {order.change.restriction!r} ({measure.id}) by what does not fit it; write {asked}."
