"""The clinic's calendar: on which day after surgery a moment falls, and when a day begins."""

from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

from msgspec import Struct

from careplan_bridge.model.calendar import date_of, day_of
from careplan_bridge.model.plan import Plan


class Calendar(Struct, frozen=True):
    """Days are counted in the clinic's zone from the date of surgery, which is day 0."""

    zone: ZoneInfo
    surgery: date

    def day(self, moment: datetime) -> int:
        try:
            local = moment.astimezone(self.zone)
        except OverflowError:  # the first or the last day there is, seen from the other end of the earth
            local = moment
        return day_of(self.surgery, local.date())

    def date(self, day: int) -> date:
        return date_of(self.surgery, day)

    def begins(self, day: int) -> datetime:
        """The first instant of the day. Where a clock change skips midnight, the day begins at the change."""
        return datetime.combine(self.date(day), time.min, tzinfo=self.zone).astimezone(UTC)


def calendar(plan: Plan) -> Calendar:
    counted = next(surgery for surgery in plan.surgeries if surgery.id == plan.surgery)
    return Calendar(ZoneInfo(plan.clinic.timezone), counted.on)
