"""Two invented clinics and persons: what the criteria are fitted to, and the moment at which they are judged.

Both cross a change of the clocks, so a day of the clinic is not always 24 hours long. The second person's knee was operated on
twice.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cached_property
from zoneinfo import ZoneInfo

from msgspec.structs import replace

from careplan_bridge.criteria.calendar import Calendar, calendar
from careplan_bridge.files import shipped
from careplan_bridge.model.case import Surgery
from careplan_bridge.model.conventions import Conventions
from careplan_bridge.model.criterion import Criterion
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.protocol import Stage, Window
from tests import built


@dataclass(frozen=True, slots=True)
class Span:
    """A day or a month of the clinic, by the text that a partial date has: its days after surgery, its first and its last millisecond."""

    name: str
    first: int
    last: int
    begins: datetime
    ends: datetime


@dataclass(frozen=True)
class Setting:
    """One person's plan without criteria, and the moment of judging. `first` and `last` are the dates that entries may bear."""

    name: str
    plan: Plan
    at: datetime
    first: date
    last: date

    @cached_property
    def days(self) -> tuple[Span, ...]:
        count = (self.last - self.first).days + 1
        return tuple(
            self._span(day.isoformat(), day, day) for day in (self.first + timedelta(days=n) for n in range(count))
        )

    @cached_property
    def months(self) -> tuple[Span, ...]:
        firsts = sorted({day.replace(day=1) for day in (self.first, self.last)})
        return tuple(self._span(f"{day:%Y-%m}", day, _last_of_month(day)) for day in firsts)

    def _span(self, name: str, first: date, last: date) -> Span:
        numbers = self._number(first), self._number(last)
        ends = self.calendar.begins(numbers[1] + 1) - timedelta(milliseconds=1)
        begins = self.calendar.begins(numbers[0])
        return Span(name, *numbers, begins.astimezone(self.zone), ends.astimezone(self.zone))

    def _number(self, on: date) -> int:
        return (on - self.plan.day_zero).days

    @property
    def calendar(self) -> Calendar:
        return calendar(self.plan)

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.plan.clinic.timezone)

    @property
    def today(self) -> int:
        return self.calendar.day(self.at)

    @property
    def operated(self) -> int:
        """The day of the last surgery on this limb."""
        return max(self._number(surgery.on) for surgery in self.plan.surgeries)

    def sides(self, side: str) -> tuple[str, str]:
        """The names that involved or uninvolved goes by for this person."""
        own = self.plan.side
        return side, own if side == "involved" else {"left": "right", "right": "left"}[own]

    @property
    def conventions(self) -> Conventions:
        return Conventions(clinic=self.plan.clinic)

    def asking(self, criteria: tuple[Criterion, ...]) -> Plan:
        """The plan with these criteria in the stage that the person is in."""
        stage = Stage(id="settle", title="Settle the knee", window=Window(), criteria=criteria)
        return replace(self.plan, stages=(stage, *self.plan.stages[1:]))


def _last_of_month(day: date) -> date:
    return (day.replace(day=1) + timedelta(days=31)).replace(day=1) - timedelta(days=1)


def _plan(side: str, zone: str, *surgeries: Surgery) -> Plan:
    return replace(
        built.a_plan(),
        patient="Patient/example-1",
        clinic=replace(built.CLINIC, timezone=zone),
        side=side,
        surgery=surgeries[0].id,
        surgeries=surgeries,
        facts=dict(shipped.catalogue().measures),
    )


def _surgery(name: str, on: date, side: str) -> Surgery:
    return Surgery(id=name, procedure=f"{name}, made up", on=on, side=side)


SETTINGS = (
    Setting(
        "berlin",
        _plan("left", "Europe/Berlin", _surgery("reconstruction", date(2026, 3, 22), "left")),
        at=datetime(2026, 4, 4, 22, 30, tzinfo=UTC),  # half past midnight of day 14 in Berlin
        first=date(2026, 3, 19),
        last=date(2026, 4, 7),
    ),
    Setting(
        "new-york",
        _plan(
            "right",
            "America/New_York",
            _surgery("reconstruction", date(2026, 3, 2), "right"),
            _surgery("release", date(2026, 3, 5), "right"),
        ),
        at=datetime(2026, 3, 17, 3, 30, tzinfo=UTC),  # half past eleven in the evening of day 14 in New York
        first=date(2026, 3, 1),
        last=date(2026, 3, 19),
    ),
)
