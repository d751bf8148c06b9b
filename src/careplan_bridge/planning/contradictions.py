"""Does a criterion demand what a restriction forbids, at a time when the criterion is wanted?

A criterion is wanted from the day on which it may first decide: the stage's earliest advance, or later where the stage also
asks for time since surgery; or the day it is expected by, if that is sooner; without either, from the last day of the stage's
window. From then on it stays wanted until the stage is left. A restriction forbids from its first day to the day before its
end, or until its stage is left. Both together on one day is a contradiction: the plan would ask for an excess.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from careplan_bridge.model.case import Case, Order
from careplan_bridge.model.criterion import (
    AllOf,
    AnyOf,
    AtLeastOf,
    Condition,
    Criterion,
    FirstDoneOf,
    Measured,
    Restriction,
    TimeSince,
    WithinBounds,
)
from careplan_bridge.model.measure import Catalogue
from careplan_bridge.model.protocol import Stage
from careplan_bridge.model.value import Bounds
from careplan_bridge.planning.bounds import NotComparable, is_empty, mirrored, strictest
from careplan_bridge.planning.orders import about_restriction

# Restrictions hold for any movement and position: whoever bends it actively bends it.
LOOSE = frozenset({"movement", "position"})


@dataclass(frozen=True, slots=True, eq=False)
class _Placed:
    """A restriction with the stage it stands in; `own`: that of the criterion, so that it holds as long as the stage lasts."""

    restriction: Restriction
    own: bool

    def holds_from(self, wanted: int) -> bool:
        end = self.restriction.before_day
        return self.own if end is None else end > wanted


@dataclass(frozen=True, slots=True)
class _Judge:
    catalogue: Catalogue
    surgery_day: dict[str, int]

    def obstacles(self, condition: Condition, wanted: int | None, placed: Sequence[_Placed]) -> tuple[_Placed, ...]:
        """The restrictions that make the condition impossible from day `wanted` on (None: some day); empty if it is possible."""
        match condition:
            case WithinBounds():
                return tuple(one for one in placed if _holds(one, wanted) and self._forbids(one.restriction, condition))
            case AllOf():
                later = _later(wanted, self._time(condition.conditions))
                return _joined(self.obstacles(part, later, placed) for part in condition.conditions)
            case AnyOf():
                return self._too_few(condition.conditions, 1, wanted, placed)
            case AtLeastOf():
                return self._too_few(condition.conditions, condition.count, wanted, placed)
            case FirstDoneOf():
                each = [
                    self.obstacles(rung.condition, _later(wanted, rung.not_before), placed)
                    for rung in condition.alternatives
                ]
                return _joined(each) if all(each) else ()
            case _:
                return ()

    def wanted_from(self, stage: Stage, criterion: Criterion) -> int | None:
        """The first day on which the criterion is wanted; None where neither stage nor criterion says a day."""
        window = stage.window
        advance = _later(window.earliest_advance, self._time(other.condition for other in stage.criteria))
        days = [day for day in (advance, criterion.expected_by) if day is not None]
        if days:
            return max(min(days), window.from_day)
        return None if window.before_day is None else window.before_day - 1

    def _time(self, conditions: Iterable[Condition]) -> int | None:
        """The day from which all conditions about time hold."""
        days = [
            one.at_least + self.surgery_day.get(one.surgery or "", 0)
            for one in conditions
            if isinstance(one, TimeSince)
        ]
        return max(days, default=None)

    def _too_few(
        self, conditions: Sequence[Condition], count: int, wanted: int | None, placed: Sequence[_Placed]
    ) -> tuple[_Placed, ...]:
        each = [self.obstacles(part, wanted, placed) for part in conditions]
        possible = sum(1 for found in each if not found)
        return _joined(each) if possible < count else ()

    def _forbids(self, restriction: Restriction, condition: WithinBounds) -> bool:
        if not _same_thing(restriction.measured, condition.measured):
            return False
        allowed, demanded = self._on_one_scale(restriction.measured.measure, restriction.bounds, condition)
        if allowed is None or demanded is None:
            return False
        measure = self.catalogue.measures[condition.measured.measure]
        try:
            return not is_empty(measure, demanded) and is_empty(measure, strictest(measure, allowed, demanded))
        except NotComparable:
            return False

    def _on_one_scale(
        self, restricted: str, allowed: Bounds, condition: WithinBounds
    ) -> tuple[Bounds | None, Bounds | None]:
        """Both bounds on the scale of the restricted measure, or None where the two measures share none."""
        if restricted == condition.measured.measure:
            return allowed, condition.bounds
        for arc in self.catalogue.arcs.values():
            for end in arc.ends:
                if {restricted, condition.measured.measure} == {end.past_neutral, end.short_of_neutral}:
                    return allowed, mirrored(condition.bounds)
        return None, None


def contradictions(
    stages: Sequence[Stage], case: Case, orders: Sequence[Order], catalogue: Catalogue, surgery: date
) -> Iterator[str]:
    """One sentence for each pair of criterion and restriction, naming both with their days and dates."""
    judge = _Judge(catalogue, {other.id: (other.on - surgery).days for other in case.surgeries})
    for place, stage in enumerate(stages):
        placed = [
            _Placed(restriction, own=other is stage)
            for other in stages[: place + 1]
            for restriction in other.restrictions
        ]
        for criterion in stage.criteria:
            wanted = judge.wanted_from(stage, criterion)
            for one in judge.obstacles(criterion.condition, wanted, _within_window(stage, placed)):
                yield _sentence(stage, criterion, wanted, one.restriction, orders, surgery)


def _within_window(stage: Stage, placed: Iterable[_Placed]) -> list[_Placed]:
    end = stage.window.before_day
    return [one for one in placed if end is None or one.restriction.from_day < end]


def _holds(one: _Placed, wanted: int | None) -> bool:
    if wanted is None:
        return one.own and one.restriction.before_day is None
    return one.holds_from(wanted)


def _later(first: int | None, second: int | None) -> int | None:
    days = [day for day in (first, second) if day is not None]
    return max(days, default=None)


def _joined(each: Iterable[tuple[_Placed, ...]]) -> tuple[_Placed, ...]:
    return tuple(dict.fromkeys(one for found in each for one in found))


def _same_thing(restricted: Measured, demanded: Measured) -> bool:
    if "uninvolved" in (restricted.side, demanded.side) and restricted.side != demanded.side:
        return False
    shared = (restricted.qualifiers.keys() & demanded.qualifiers.keys()) - LOOSE
    return all(restricted.qualifiers[name] == demanded.qualifiers[name] for name in shared)


def _sentence(
    stage: Stage,
    criterion: Criterion,
    wanted: int | None,
    restriction: Restriction,
    orders: Sequence[Order],
    surgery: date,
) -> str:
    since = f" from {_dated(wanted, surgery)}" if wanted is not None else ""
    until = (
        f"before {_dated(restriction.before_day, surgery)}"
        if restriction.before_day is not None
        else "until the stage is left"
    )
    return (
        f"Criterion {criterion.id!r} of stage {stage.id!r} ({criterion.says}) is wanted{since}, but restriction "
        f"{restriction.id!r} ({restriction.says}{_by_order(restriction, orders)}) forbids it {until}; "
        "move the stage's earliest advance by an order, or have the surgeon settle the restriction."
    )


def _by_order(restriction: Restriction, orders: Sequence[Order]) -> str:
    changing = [f"{order.id!r} of {order.on.isoformat()}" for order, _ in about_restriction(restriction.id, orders)]
    return f"; as ordered by {', '.join(changing)}" if changing else ""


def _dated(day: int, surgery: date) -> str:
    return f"{(surgery + timedelta(days=day)).isoformat()} (day {day})"
