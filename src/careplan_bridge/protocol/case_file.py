"""A case file into a case, or into all of its faults.

A case names no measure: whether an order's bound fits its restriction is seen when a plan is drafted. It carries the unit
of that bound as it was written.
"""

import re
from collections.abc import Callable, Iterable, Sequence

from msgspec.structs import replace

from careplan_bridge.errors import Fault
from careplan_bridge.model.case import (
    Case,
    Change,
    Confirmed,
    Order,
    OwnGoal,
    Person,
    PrecautionOrder,
    ReferenceOrder,
    RestrictionOrder,
    Surgery,
    WindowOrder,
)
from careplan_bridge.model.digest import digest
from careplan_bridge.model.value import Bounds, Threshold
from careplan_bridge.protocol.case_shape import CasePart, OrderPart, PersonPart, SurgeryPart
from careplan_bridge.protocol.measured import BOUNDS, QUALIFIERS, entries
from careplan_bridge.protocol.quantity import quantity
from careplan_bridge.protocol.shape import ROLES
from careplan_bridge.protocol.stages import ids_written, unique
from careplan_bridge.syntax import yaml
from careplan_bridge.syntax.examined import every_fault, without_fault
from careplan_bridge.syntax.nearest import suggestion
from careplan_bridge.syntax.node import Node
from careplan_bridge.syntax.shape import shaped
from careplan_bridge.syntax.spot import Faults, Spot

QUALIFIERS_WRITTEN = tuple(name.replace("_", " ") for name in QUALIFIERS)
_REFERENCE = re.compile(r"(?P<type>[A-Z][A-Za-z]+)/[A-Za-z0-9.-]{1,64}")
_FITTING = {
    "restriction": {*BOUNDS, "from", "before"},
    "window": {"before", "earliest advance"},
    "precaution": {"stage", "text", "before"},
    "reference": {"value", *QUALIFIERS_WRITTEN},
}


def read_case(data: bytes, name: str) -> Case:
    """The case that a file states; `name` stands in the faults.

    Raises:
        FileRefused: with every fault of the file.
    """
    found = without_fault(*_examined(data, name))
    return replace(found, digest=digest(found))


def check_case(data: bytes, name: str) -> tuple[Fault, ...]:
    """Every fault and warning of a case file, in the order of the file."""
    return every_fault(lambda: _examined(data, name))


def _examined(data: bytes, name: str) -> tuple[Case | None, Faults]:
    whole, faults = yaml.read(data, name)
    part, tree = shaped(CasePart, whole, faults)
    if part is None:
        return None, faults
    spot = Spot(tree, faults)
    people = ids_written(whole.child("people"))
    _check_reference(part.patient, "Patient", spot["patient"])
    found = Case(
        id=part.case,
        patient=part.patient,
        side=part.side,
        surgery=_main_surgery(part, spot, whole),
        surgeries=_surgeries(part, spot["surgeries"]),
        people=_people(part.people, spot["people"]),
        orders=_orders(part.orders, spot["orders"], people),
        orders_confirmed=_confirmed(part, spot["orders confirmed"], people),
        own_goals=tuple(OwnGoal(id=goal.id, text=goal.text, reached=goal.reached) for goal in part.own_goals),
    )
    unique(spot["own goals"], (goal.id for goal in part.own_goals), "own goal")
    return found, faults


def _check_reference(text: str, kind: str, spot: Spot) -> None:
    match = _REFERENCE.fullmatch(text)
    if match is None or match["type"] != kind:
        spot.wrong(f"this is no reference to a {kind}", f"write it as {kind}/ID, the ID as the server has it")


def _main_surgery(part: CasePart, spot: Spot, whole: Node) -> str:
    """The surgery that days count from: the one named, or the only one there is."""
    ids = [surgery.id for surgery in part.surgeries]
    if part.surgery is not None:
        known = ids_written(whole.child("surgeries"))
        if part.surgery not in known:
            spot["surgery"].wrong(f"there is no surgery `{part.surgery}`", suggestion(part.surgery, known))
        return part.surgery
    if len(ids) > 1:
        spot.lacks(
            "there are several surgeries, and none that days count from", "add `surgery: ...` with the id of one"
        )
    return ids[0] if ids else ""


def _surgeries(part: CasePart, spot: Spot) -> tuple[Surgery, ...]:
    if not part.surgeries:
        spot.lacks("there is no surgery", "add one with `id`, `procedure` and `on`")
    unique(spot, (surgery.id for surgery in part.surgeries), "surgery")
    found = tuple(_surgery(surgery, part.side) for surgery in part.surgeries)
    main = part.surgery or (found[0].id if len(found) == 1 else "")
    for index, surgery in enumerate(found):
        if surgery.id == main and surgery.side != part.side:
            spot[index]["side"].wrong(
                "the surgery that days count from is on the other side", "set its `side` to that of the case"
            )
    return found


def _surgery(part: SurgeryPart, side: str) -> Surgery:
    return Surgery(id=part.id, procedure=part.procedure, on=part.on, side=part.side or side, performed=part.performed)


def _people(parts: Sequence[PersonPart], spot: Spot) -> tuple[Person, ...]:
    if not parts:
        spot.lacks("there are no people", "add those who sign, each with `id`, `name` and `role`")
    unique(spot, (person.id for person in parts), "person")
    for index, person in enumerate(parts):
        if person.role not in ROLES:
            spot[index]["role"].wrong(f"`{person.role}` is no role that signs", suggestion(person.role, ROLES))
        if person.resource is not None and not _REFERENCE.fullmatch(person.resource):
            spot[index]["resource"].wrong("this is no reference", "write it as Practitioner/ID")
    return tuple(Person(id=part.id, name=part.name, role=part.role, resource=part.resource) for part in parts)


def _confirmed(part: CasePart, spot: Spot, people: set[str]) -> Confirmed | None:
    if part.orders_confirmed is None:
        return None
    _check_person(part.orders_confirmed.by, spot["by"], people)
    return Confirmed(by=part.orders_confirmed.by, on=part.orders_confirmed.on)


def _check_person(name: str, spot: Spot, people: set[str]) -> None:
    if name not in people:
        spot.wrong(f"`people` has no `{name}`", suggestion(name, people))


def _orders(parts: Sequence[OrderPart], spot: Spot, people: set[str]) -> tuple[Order, ...]:
    unique(spot, (part.id for part in parts), "order")
    _check_replaced(parts, spot)
    found = (_order(part, spot[index], people) for index, part in enumerate(parts))
    return tuple(order for order in found if order is not None)


def _check_replaced(parts: Sequence[OrderPart], spot: Spot) -> None:
    """An order may replace only what was ordered no later than itself."""
    given = {part.id: part.on for part in parts}
    for index, part in enumerate(parts):
        for place, name in enumerate(part.replaces):
            at = spot[index]["replaces"][place]
            if name not in given or name == part.id:
                at.wrong(f"there is no other order `{name}`", suggestion(name, set(given) - {part.id}))
            elif given[name] > part.on:
                at.wrong(f"the order `{name}` is of a later day", "exchange the days, or take it out")


def _order(part: OrderPart, spot: Spot, people: set[str]) -> Order | None:
    if not spot["by"].node.damaged:
        _check_person(part.by, spot["by"], people)
    change = _change(part, spot)
    if change is None:
        return None
    return Order(id=part.id, by=part.by, on=part.on, says=part.says, change=change, replaces=part.replaces)


def _change(part: OrderPart, spot: Spot) -> Change | None:
    kinds = [key for key in _FITTING if spot.has(key)]
    if not kinds:
        spot.lacks("this order changes nothing", "name a `restriction`, a `window`, a `precaution` or a `reference`")
        return None
    if len(kinds) > 1:
        spot.wrong(f"{' and '.join(f'`{key}`' for key in kinds)} stand in one order", "write one order for each")
        return None
    _refuse_strangers(kinds[0], spot)
    return _CHANGES[kinds[0]](part, spot)


def _refuse_strangers(kind: str, spot: Spot) -> None:
    others = {key for keys in _FITTING.values() for key in keys} - _FITTING[kind]
    for key in sorted(others):
        if spot.has(key):
            spot[key].wrong_key(f"`{key}` says nothing about a {kind}", "take it out")


def _restriction(part: OrderPart, spot: Spot) -> RestrictionOrder | None:
    bounds, unit = _bounds(part, spot)
    if not any(spot.has(key) for key in (*BOUNDS, "from", "before")):
        spot.lacks("this order leaves the restriction as it is", "add a bound, `from` or `before`")
        return None
    if part.from_ is not None and part.before is not None and part.before <= part.from_:
        spot["before"].wrong("the restriction would end before it begins", "write a later day")
    return RestrictionOrder(
        restriction=part.restriction or "", bounds=bounds, unit=unit, from_day=part.from_, before_day=part.before
    )


def _window(part: OrderPart, spot: Spot) -> WindowOrder | None:
    if part.before is None and part.earliest_advance is None:
        spot.lacks("this order leaves the window as it is", "add `before` or `earliest advance`")
        return None
    return WindowOrder(stage=part.window or "", before_day=part.before, earliest_advance=part.earliest_advance)


def _precaution(part: OrderPart, spot: Spot) -> PrecautionOrder | None:
    for key, value in (("stage", part.stage), ("text", part.text)):
        if value is None:
            spot.lacks(f"a precaution that is added needs `{key}`", f"add `{key}: ...`")
    if part.stage is None or part.text is None:
        return None
    return PrecautionOrder(stage=part.stage, precaution=part.precaution or "", text=part.text, before_day=part.before)


def _reference(part: OrderPart, spot: Spot) -> ReferenceOrder | None:
    """Measure and qualifiers stay as written; whether they fit a criterion is seen when a plan is drafted."""
    if part.value is None:
        spot.lacks("a reference needs a `value`", "add `value: 310 N`, or what is right here")
        return None
    written = quantity(part.value)
    if written is None:
        spot["value"].wrong(f"`{part.value[:80]}` is no number with a unit", "write it as `310 N`")
        return None
    given = {name: getattr(part, name) for name in QUALIFIERS if getattr(part, name) is not None}
    return ReferenceOrder(measure=part.reference or "", qualifiers=given, value=written.number, unit=written.unit)


_CHANGES: dict[str, Callable[[OrderPart, Spot], Change | None]] = {
    "restriction": _restriction,
    "window": _window,
    "precaution": _precaution,
    "reference": _reference,
}


def _bounds(part: OrderPart, spot: Spot) -> tuple[Bounds | None, str | None]:
    given = [key for key in BOUNDS if spot.has(key)]
    if not given:
        return None, None
    texts = _ends(part, given, spot)
    if texts is None:
        return None, None
    low, high = (None if text is None else _threshold(text) for text in texts)
    _refuse_crossed(low, high, spot[given[0]])
    bounds = Bounds(low=low, high=high, low_included=part.above is None, high_included=part.below is None)
    return bounds, _unit([text for text in texts if text is not None], spot[given[0]])


def _ends(part: OrderPart, given: list[str], spot: Spot) -> tuple[str | None, str | None] | None:
    """The written lower and upper end; None where they cannot stand beside each other."""
    alone = {"between", "exactly"} & set(given)
    if (alone and len(given) > 1) or {"at least", "above"} <= set(given) or {"at most", "below"} <= set(given):
        spot.wrong(f"{' and '.join(f'`{key}`' for key in given)} stand beside each other", "keep one for each end")
        return None
    if part.between is not None:
        if len(part.between) != 2:  # noqa: PLR2004 - a span has two ends
            spot["between"].wrong(f"`between` has {entries(len(part.between))}", "write two: [lowest, highest]")
            return None
        return part.between[0], part.between[1]
    if part.exactly is not None:
        return part.exactly, part.exactly
    return part.at_least or part.above, part.at_most or part.below


def _threshold(text: str) -> Threshold:
    written = quantity(text)
    return Threshold(number=written.number) if written else Threshold(level=text)


def _refuse_crossed(low: Threshold | None, high: Threshold | None, spot: Spot) -> None:
    if low and high and low.number is not None and high.number is not None and low.number > high.number:
        spot.wrong("the lower bound lies above the upper one", "exchange them")


def _unit(texts: Iterable[str], spot: Spot) -> str | None:
    units = sorted({"" if (written := quantity(text)) is None else written.unit for text in texts})
    if len(units) > 1:
        spot.wrong("the two bounds are not in one unit", "write both in the same unit")
    return units[0] or None
