"""What a plan can see of the record at a moment: the entries that could touch it, in an order of their own."""

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime

from msgspec import Struct

from careplan_bridge.criteria.calendar import Calendar, calendar
from careplan_bridge.criteria.entry import Entry, of_reading, of_unusable, past_neutral
from careplan_bridge.criteria.matching import other_side
from careplan_bridge.criteria.scope import Scope, scope
from careplan_bridge.criteria.truth import CANNOT_TELL, MET, NOT_MET
from careplan_bridge.model.calendar import day_of
from careplan_bridge.model.case import Surgery
from careplan_bridge.model.check import Verdict
from careplan_bridge.model.measure import FINDING, FINDING_LEVELS, Measure
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.reading import Readings
from careplan_bridge.model.signed_scale import twin

_FINDING = Measure(
    id=FINDING, term="Finding", unit=None, bare_unit=None, side="none", levels=FINDING_LEVELS, order_established=False
)


class Evidence(Struct, frozen=True):
    """Every entry that could touch the plan, whenever it was made. `void` ones count as never made and are only named."""

    about: Scope
    calendar: Calendar
    entries: Mapping[str, tuple[Entry, ...]]
    scales: Mapping[str, tuple[Entry, ...]]
    touching: tuple[Entry, ...]
    void: tuple[Entry, ...]

    def until(self, at: datetime, *, complete: bool) -> "Record":
        day = self.calendar.day(at)
        return Record(
            about=self.about,
            calendar=self.calendar,
            at=at,
            day=day,
            operated=operated(self.about.plan, self.calendar, day),
            complete=complete,
            entries={name: _until(entries, at) for name, entries in self.entries.items()},
            scales={name: _until(entries, at) for name, entries in self.scales.items()},
            touching=_until(self.touching, at),
            void=_until(self.void, at),
        )


class Record(Struct, frozen=True):
    """The entries made no later than `at`; `touching` are those that could be meant by anything in the plan, void ones included.

    `day` is the clinic's day of `at`, `operated` that of the last surgery on this limb: what was measured before it is history,
    never progress.
    """

    about: Scope
    calendar: Calendar
    at: datetime
    day: int
    operated: int
    complete: bool
    entries: Mapping[str, tuple[Entry, ...]]
    scales: Mapping[str, tuple[Entry, ...]]
    touching: tuple[Entry, ...]
    void: tuple[Entry, ...]

    @property
    def plan(self) -> Plan:
        return self.about.plan

    def of(self, measure: str) -> tuple[Entry, ...]:
        return self.entries.get(measure, ())

    def on_scale(self, measure: str) -> tuple[Entry, ...]:
        """Entries of the measure, and those of its twin that lie past neutral: hyperextension is less than no deficit."""
        return self.scales.get(measure, self.of(measure))

    def facts(self, measure: str) -> Measure:
        return _FINDING if measure == FINDING else self.plan.facts[measure]

    def day_of(self, surgery: Surgery) -> int:
        return day_of(self.calendar.surgery, surgery.on)

    def after_surgery(self, entry: Entry) -> Verdict:
        """On the day of surgery itself nothing tells which came first."""
        if entry.last < self.operated:
            return NOT_MET
        return MET if entry.first > self.operated else CANNOT_TELL


def operated(plan: Plan, days: Calendar, until: int) -> int:
    """The day of the last surgery on this limb, no later than `until`."""
    on = (day_of(days.surgery, surgery.on) for surgery in plan.surgeries if concerns(surgery, plan.side))
    return max((day for day in on if 0 <= day <= until), default=0)


def concerns(surgery: Surgery, side: str) -> bool:
    """A surgery concerns this limb unless it was on the other one."""
    return surgery.side != other_side(side)


def evidence(plan: Plan, readings: Readings) -> Evidence:
    """Duplicates fall together, whatever order they came in."""
    about, days = scope(plan), calendar(plan)
    entries = _ordered(
        entry for entry in (*_usable(readings, about, days), *_unusable(readings, about, days, void=False))
    )
    by_measure: dict[str, list[Entry]] = {}
    for entry in entries:
        by_measure.setdefault(entry.measure, []).append(entry)
    void = _ordered(_unusable(readings, about, days, void=True))
    touching = tuple(filter(about.touches, sorted((*entries, *void), key=_place)))
    return Evidence(
        about,
        days,
        {name: tuple(several) for name, several in by_measure.items()},
        {name: _on_scale(name, other, by_measure) for name, other in _twins(about)},
        touching,
        void,
    )


def _twins(about: Scope) -> Iterator[tuple[str, str]]:
    for name in about.measured:
        other = twin(name, about.plan.facts)
        if other is not None:
            yield name, other


def _on_scale(name: str, other: str, by_measure: Mapping[str, Sequence[Entry]]) -> tuple[Entry, ...]:
    across = [entry for one in by_measure.get(other, ()) for entry in past_neutral(one)]
    return tuple(sorted((*by_measure.get(name, ()), *across), key=_place))


def _usable(readings: Readings, about: Scope, days: Calendar) -> Iterator[Entry]:
    for reading in readings.readings:
        if about.names(reading.measure):
            entry = of_reading(reading, days)
            if about.shows(entry):
                yield entry


def _unusable(readings: Readings, about: Scope, days: Calendar, *, void: bool) -> Iterator[Entry]:
    for unusable in readings.unusable:
        if unusable.void == void and about.names(unusable.hint.measure):
            entry = of_unusable(unusable, days)
            if about.shows(entry):
                yield entry


def _ordered(entries: Iterable[Entry]) -> tuple[Entry, ...]:
    distinct = {_place(entry): entry for entry in entries}
    return tuple(distinct[place] for place in sorted(distinct))


def _place(entry: Entry) -> tuple[object, ...]:
    return (*entry.order, entry.unusable.reason if entry.unusable else "")


def _until(entries: tuple[Entry, ...], at: datetime) -> tuple[Entry, ...]:
    """Entries stand in the order of their earliest moment; one that may be no later than `at` counts."""
    return entries[: bisect_right(entries, at.astimezone(UTC), key=lambda entry: entry.at.low)]
