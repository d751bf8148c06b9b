"""Observations at which every criterion of a stage is met, made from the plan itself: what a course needs to run to its end."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from careplan_bridge.fhir.qualifiers import qualifier_extensions
from careplan_bridge.model import fhir_names as names
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
    TimeSince,
    WithinBounds,
)
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.protocol import Stage
from careplan_bridge.model.value import Bounds, Threshold

Resource = dict[str, Any]
Key = tuple[str, str | None, tuple[tuple[str, str], ...]]
LITTLE, MUCH = Threshold(number=Decimal(10)), Threshold(number=Decimal(40))


@dataclass
class Visit:
    """What is measured at one visit: a value for each measure, side and qualifiers; findings by their id.

    `firsts` are the values that each had when it was measured for the first time; the visits of a course share them.
    """

    plan: Plan
    at: datetime
    firsts: dict[Key, Threshold]
    values: dict[Key, Threshold] = field(default_factory=dict[Key, Threshold])
    findings: dict[str, str] = field(default_factory=dict[str, str])

    def meet(self, condition: Condition) -> None:
        match condition:
            case WithinBounds(measured=measured, bounds=bounds):
                self._value(measured, measured.side, _inside(bounds))
            case OtherSide(measured=measured):
                value = self._value(measured, "involved", self._plausible(measured))
                self._value(measured, "uninvolved", value)
            case FindingIs(finding=finding, expected=expected):
                self.findings[finding] = expected
            case AllOf(conditions=several) | AnyOf(conditions=several) | AtLeastOf(conditions=several):
                for one in several:
                    self.meet(one)
            case FirstDoneOf(alternatives=alternatives):
                day = (self.at.date() - self.plan.day_zero).days
                self.meet(next(one.condition for one in alternatives if (one.not_before or 0) <= day))
            case Change(measured=measured, bounds=bounds):
                first, change = self.firsts.get(_key(measured, measured.side)), _inside(bounds)
                self._value(measured, measured.side, _before(change) if first is None else _plus(first, change))
            case TimeSince():
                pass  # it passes by itself

    def _value(self, measured: Measured, side: str | None, value: Threshold) -> Threshold:
        taken = self.values.setdefault(_key(measured, side), value)
        self.firsts.setdefault(_key(measured, side), taken)
        return taken

    def _plausible(self, measured: Measured) -> Threshold:
        ranges = self.plan.facts[measured.measure].plausible
        return Threshold(number=(ranges[0].low + ranges[0].high) / 2 if ranges else Decimal(20))

    def observations(self) -> Iterator[Resource]:
        for number, ((measure, side, qualifiers), value) in enumerate(self.values.items()):
            fact = self.plan.facts[measure]
            code = {"system": self.plan.clinic.base + names.MEASURE_CODE_SYSTEM, "code": measure}
            extensions = qualifier_extensions(fact, dict(qualifiers), side)
            yield self._observation(f"m{number}", code, _as_recorded(value, fact.unit), extension=extensions)
        for finding, state in self.findings.items():
            code = {"system": self.plan.protocol.url + names.FINDING_CODE_SYSTEM, "code": finding}
            yield self._observation(f"f-{finding}", code, {"valueCodeableConcept": {"text": state}})

    def _observation(self, name: str, code: Resource, value: Resource, **more: Any) -> Resource:
        return {
            "resourceType": "Observation",
            "id": f"{self.at:%m%d%H%M}-{name}",
            "status": "final",
            "code": {"coding": [code]},
            "subject": {"reference": self.plan.patient},
            "effectiveDateTime": self.at.isoformat(),
            **value,
            **{name: given for name, given in more.items() if given},
        }


def meeting_all(plan: Plan, stage: Stage, at: datetime, firsts: dict[Key, Threshold]) -> list[Resource]:
    """Two visits three days apart, after the second of which the stage can be left."""
    visits = [Visit(plan, at - timedelta(days=3), firsts), Visit(plan, at, firsts)]
    for visit in visits:
        for criterion in sorted(stage.criteria, key=lambda one: isinstance(one.condition, OtherSide)):
            visit.meet(criterion.condition)
        visit.findings |= {flag.id: "absent" for flag in plan.red_flags}
    return [resource for visit in visits for resource in visit.observations()]


def when_done(plan: Plan, stage: Stage) -> datetime:
    """Noon of a day on which the stage may be left and its dated restrictions have ended, the visit before included."""
    times = [one.condition.at_least for one in stage.criteria if isinstance(one.condition, TimeSince)]
    ends = [one.before_day + 3 for one in stage.restrictions if one.before_day is not None]
    day = plan.day_zero + timedelta(
        days=max(7, stage.window.earliest_advance or 0, stage.window.from_day, *times, *ends)
    )
    return datetime(day.year, day.month, day.day, 12, tzinfo=ZoneInfo(plan.clinic.timezone))


def _key(measured: Measured, side: str | None) -> Key:
    return measured.measure, side, tuple(sorted(measured.qualifiers.items()))


def _before(change: Threshold) -> Threshold:
    return LITTLE if (change.number or 0) > 0 else MUCH


def _plus(first: Threshold, change: Threshold) -> Threshold:
    assert first.number is not None
    assert change.number is not None
    return Threshold(number=first.number + change.number)


def _inside(bounds: Bounds) -> Threshold:
    at = bounds.low if bounds.low is not None else bounds.high
    assert at is not None
    return at


def _as_recorded(value: Threshold, unit: str | None) -> Resource:
    if value.level is not None:
        return {"valueCodeableConcept": {"text": value.level}}
    return {"valueQuantity": {"value": float(value.number or 0), "unit": unit, "system": names.UCUM, "code": unit}}
