"""Which evidence a named clinician has dealt with. A response covers what it named, in that version, and nothing later."""

from collections.abc import Iterable
from dataclasses import dataclass

from careplan_bridge.criteria.calendar import Calendar
from careplan_bridge.model.course import Responded
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.reading import Source


@dataclass(frozen=True, slots=True)
class Responses:
    plan: Plan
    calendar: Calendar
    events: tuple[Responded, ...]

    def cover_excess(self, restriction: str, source: Source) -> bool:
        return self._to("excess", restriction, source) is not None

    def cover_red_flag(self, flag: str, source: Source) -> bool:
        return self._to("red-flag", flag, source) is not None

    def to_red_flag(self, flag: str, sources: Iterable[Source]) -> tuple[Responded, ...]:
        found = (self._to("red-flag", flag, source) for source in sources)
        return tuple(event for event in found if event is not None)

    def words(self, subject: str, sources: Iterable[Source]) -> str:
        """Who responded to these, when, and why."""
        found = (self._to(about, subject, source) for source in sources for about in ("excess", "red-flag"))
        return "; ".join(dict.fromkeys(self._said(event) for event in found if event is not None))

    def _to(self, about: str, subject: str, source: Source) -> Responded | None:
        key = source.key
        fitting = (event for event in self.events if event.about == about and event.subject == subject)
        return next((event for event in fitting if key in event.evidence), None)

    def _said(self, event: Responded) -> str:
        person = self.plan.person(event.by)
        name = f"{person.name}, {person.role}" if person else event.by
        day = self.calendar.date(self.calendar.day(event.at))
        return f"{name}, {day.isoformat()}: {event.reason}"


def responses(plan: Plan, calendar: Calendar) -> Responses:
    return Responses(plan, calendar, plan.course.responses)
