"""What the surgeon's orders change in the protocol's stages. Where orders conflict, the strictest stands."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import date
from itertools import pairwise
from typing import TypeVar

from msgspec.structs import replace

from careplan_bridge.errors import PlanRefused
from careplan_bridge.model.calendar import day_of
from careplan_bridge.model.case import Order, PrecautionOrder, ReferenceOrder, RestrictionOrder, WindowOrder
from careplan_bridge.model.criterion import Held, Precaution, Restriction
from careplan_bridge.model.measure import Measure
from careplan_bridge.model.protocol import Protocol, Stage, Window
from careplan_bridge.model.value import Bounds
from careplan_bridge.planning.bounds import NotComparable, completed, is_empty, strictest
from careplan_bridge.planning.faults import listed
from careplan_bridge.protocol.wording import restriction_says

Measures = dict[str, Measure]
Day = TypeVar("Day")


def misaddressed(protocol: Protocol, stages: Sequence[Stage], orders: Iterable[Order]) -> Iterator[str]:
    """Orders about a stage or restriction that the protocol does not have, or that does not hold for this surgery."""
    known = {stage.id for stage in stages}
    in_force = {restriction.id for stage in stages for restriction in stage.restrictions}
    written = {restriction.id for stage in protocol.stages for restriction in stage.restrictions}
    for order in orders:
        change = order.change
        if isinstance(change, ReferenceOrder):
            continue  # planning/references.py says which criteria it is about
        if isinstance(change, RestrictionOrder) and change.restriction not in in_force:
            yield _no_restriction(order.id, change.restriction, in_force, left_out=change.restriction in written)
        elif not isinstance(change, RestrictionOrder) and change.stage not in known:
            yield f"Order {order.id!r} is about stage {change.stage!r}, which the protocol lacks; it has: {listed(sorted(known))}."


def ordered(stages: Sequence[Stage], orders: Sequence[Order], measures: Measures, day_zero: date) -> tuple[Stage, ...]:
    """The stages as the orders want them. Raises PlanRefused where an order leaves nothing allowed.

    A restriction keeps what held before each order: what was measured then is judged by what was in force then.
    """
    last = standing(orders)
    moved = _windows(stages, last)
    _refuse_taken_ids(stages, last)
    return tuple(
        replace(
            stage,
            restrictions=tuple(_restricted(one, orders, measures, day_zero) for one in stage.restrictions),
            precautions=(*stage.precautions, *_added(stage, last)),
        )
        for stage in moved
    )


def standing(orders: Iterable[Order]) -> list[Order]:
    """The orders that no other one replaces."""
    several = list(orders)
    replaced = {name for order in several for name in order.replaces}
    return [order for order in several if order.id not in replaced]


def about_restriction(restriction: str, orders: Iterable[Order]) -> list[tuple[Order, RestrictionOrder]]:
    """The orders that change this restriction."""
    return [
        (order, order.change)
        for order in orders
        if isinstance(order.change, RestrictionOrder) and order.change.restriction == restriction
    ]


def _no_restriction(order: str, restriction: str, known: Iterable[str], *, left_out: bool) -> str:
    if left_out:
        return (
            f"Order {order!r} changes restriction {restriction!r}, which holds only for what the case does not say was performed; "
            "add it to the surgery's `performed`, or take the order out."
        )
    return f"Order {order!r} changes restriction {restriction!r}, which the protocol lacks; it has: {listed(sorted(known))}."


def _restricted(restriction: Restriction, orders: Sequence[Order], measures: Measures, day_zero: date) -> Restriction:
    changed = _as_ordered(restriction, standing(orders), measures)
    return replace(changed, before_orders=tuple(_held(restriction, changed, orders, measures, day_zero)))


def _held(
    restriction: Restriction, now: Restriction, orders: Sequence[Order], measures: Measures, day_zero: date
) -> Iterator[Held]:
    """What was in force before the day of each order that came after the surgery, as far as the order changed it."""
    days = sorted({day for order in orders if (day := day_of(day_zero, order.on)) > 0})
    known = [[order for order in orders if day_of(day_zero, order.on) < day] for day in days]
    versions = [*(_as_ordered(restriction, standing(before), measures) for before in known), now]
    for day, (before, after) in zip(days, pairwise(versions), strict=True):
        if (before.bounds, before.from_day, before.before_day) != (after.bounds, after.from_day, after.before_day):
            yield Held(until=day, bounds=before.bounds, from_day=before.from_day, before_day=before.before_day)


def _as_ordered(restriction: Restriction, orders: Sequence[Order], measures: Measures) -> Restriction:
    changes = about_restriction(restriction.id, orders)
    if not changes:
        return restriction
    changed = replace(
        restriction,
        bounds=_ordered_bounds(restriction, changes, measures[restriction.measured.measure]),
        from_day=_strictest_day(min, (change.from_day for _, change in changes), restriction.from_day),
        before_day=_strictest_day(max, (change.before_day for _, change in changes), restriction.before_day),
    )
    _refuse_empty_span(changed, [order for order, _ in changes])
    # The protocol's sentence would still say what the order took away.
    return changed if changed == restriction else replace(changed, says=_says(changed, measures))


def _says(restriction: Restriction, measures: Measures) -> str:
    return restriction_says(
        restriction.measured,
        restriction.bounds,
        measures[restriction.measured.measure],
        from_day=restriction.from_day,
        before_day=restriction.before_day,
    )


def _ordered_bounds(
    restriction: Restriction, changes: Sequence[tuple[Order, RestrictionOrder]], measure: Measure
) -> Bounds:
    wanted = [completed(change.bounds, restriction.bounds) for _, change in changes if change.bounds]
    if not wanted:
        return restriction.bounds
    names = listed(order.id for order, change in changes if change.bounds)
    bounds = wanted[0]
    try:
        for other in wanted[1:]:
            bounds = strictest(measure, bounds, other)
        nothing = is_empty(measure, bounds)
    except NotComparable as unknown:
        raise PlanRefused(
            f"Orders {names} on restriction {restriction.id!r} conflict, and the order of the levels of {measure.id!r} is not "
            "established, so nobody but the surgeon can say which is stricter; leave the one that stands in the case."
        ) from unknown
    if nothing:
        raise PlanRefused(
            f"Orders {names} leave no allowed value of restriction {restriction.id!r}; the surgeon must settle it."
        )
    return bounds


def _refuse_empty_span(restriction: Restriction, orders: Iterable[Order]) -> None:
    if restriction.before_day is not None and restriction.before_day <= restriction.from_day:
        raise PlanRefused(
            f"Orders {listed(order.id for order in orders)} end restriction {restriction.id!r} (day {restriction.before_day}) "
            f"no later than it begins (day {restriction.from_day}); give both days."
        )


def _strictest_day(choose: Callable[[Iterable[int]], int], days: Iterable[int | None], otherwise: Day) -> int | Day:
    named = [day for day in days if day is not None]
    return choose(named) if named else otherwise


def _windows(stages: Sequence[Stage], orders: Sequence[Order]) -> list[Stage]:
    """Each stage with its moved window; a stage that began where the one before it ended goes on doing so."""
    moved: list[Stage] = []
    for index, stage in enumerate(stages):
        window = stage.window
        if index and window.from_day == stages[index - 1].window.before_day:
            window = replace(window, from_day=moved[-1].window.before_day)
        moved.append(replace(stage, window=_window(stage.id, window, orders)))
    return moved


def _window(stage: str, window: Window, orders: Sequence[Order]) -> Window:
    changes = [
        order.change for order in orders if isinstance(order.change, WindowOrder) and order.change.stage == stage
    ]
    changed = replace(
        window,
        before_day=_strictest_day(max, (change.before_day for change in changes), window.before_day),
        earliest_advance=_strictest_day(max, (change.earliest_advance for change in changes), window.earliest_advance),
    )
    if changed.before_day is not None and changed.before_day <= changed.from_day:
        raise PlanRefused(
            f"The orders leave stage {stage!r} no time: it would begin on day {changed.from_day} and end before day "
            f"{changed.before_day}; an order must move its end too."
        )
    return changed


def _refuse_taken_ids(stages: Sequence[Stage], orders: Iterable[Order]) -> None:
    """A response names a precaution without its stage, so one id means one precaution in the whole plan."""
    taken = {precaution.id for stage in stages for precaution in stage.precautions}
    for order in orders:
        change = order.change
        if isinstance(change, PrecautionOrder):
            if change.precaution in taken:
                raise PlanRefused(
                    f"Order {order.id!r} adds precaution {change.precaution!r}, which the plan has already; give it another id."
                )
            taken.add(change.precaution)


def _added(stage: Stage, orders: Iterable[Order]) -> list[Precaution]:
    changes = (order.change for order in orders)
    return [
        Precaution(id=change.precaution, text=change.text, before_day=change.before_day)
        for change in changes
        if isinstance(change, PrecautionOrder) and change.stage == stage.id
    ]
