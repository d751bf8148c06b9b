"""Generated Observations: the same seed gives the same records everywhere.

A plain record is what a tidy clinic writes. A boundary record is crowded on purpose: few values, few days, few times, so that
everything equals, touches or contradicts something else.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from random import Random
from typing import Any
from zoneinfo import ZoneInfo

from careplan_bridge.model import fhir_names as names
from tests.oracles.clinics import Setting, Span

Observation = dict[str, Any]
OTHER = {"left": "right", "right": "left"}
SIDE_CODES = {"left": "82169009", "right": "6757004"}
LOINC_FLEXION = {"left": "41343-5", "right": "41347-6"}
STATUSES = (*("final",) * 14, "amended", "corrected", "preliminary", "registered")
VOID = ("entered-in-error", "cancelled")
OFFSETS = ("own", "own", "UTC", "Asia/Tokyo", "America/Los_Angeles")
TIMES = (time(0, 0), time(9, 0), time(9, 0), time(11, 30), time(23, 59, 59))


@dataclass(frozen=True, slots=True)
class Kind:
    """How values of one measure are drawn, as value[x]; `wrong` are values that cannot be read."""

    measure: str
    values: Callable[[Random], Observation]
    wrong: tuple[Observation, ...]
    sided: bool = True
    qualifiers: Callable[[Random], dict[str, str]] = lambda _: {}
    needs: str | None = None


def quantity(value: object, unit: str, comparator: str | None = None, system: str = names.UCUM) -> Observation:
    content: Observation = {"value": value, "unit": unit, "system": system, "code": unit}
    return {"valueQuantity": {**content, "comparator": comparator} if comparator else content}


def _numbers(numbers: Sequence[float], *units: str) -> Callable[[Random], Observation]:
    """Plain numbers mostly; now and then a comparator, or a range of two."""

    def draw(chance: Random) -> Observation:
        unit = units[0] if chance.random() < 0.7 else chance.choice(units)
        number = chance.choice(numbers)
        match chance.randrange(12):
            case 0:
                return quantity(number, unit, chance.choice(("<", "<=", ">", ">=")))
            case 1:
                low, high = sorted((number, chance.choice(numbers)))
                ends = (quantity(low, unit)["valueQuantity"], quantity(high, unit)["valueQuantity"])
                return {"valueRange": {"low": ends[0], "high": ends[1]}}
            case _:
                return quantity(number, unit)

    return draw


def _levels(chance: Random) -> Observation:
    level = chance.choice(("0", "trace", "1+", "1+", "2+", "3+"))
    return chance.choice(({"valueCodeableConcept": {"text": level}}, {"valueString": level}))


def _flexion_qualifiers(chance: Random) -> dict[str, str]:
    position = chance.choice(({}, {}, {"position": "supine"}, {"position": "sitting"}))
    return {"movement": chance.choice(("active", "active", "passive")), **position}


KINDS = (
    Kind(
        "knee_flexion",
        _numbers((89.5, 90, 95, 99.9, 100, 105, 109, 109.9, 110, 110.1, 111, 120, 121), "deg"),
        (quantity(1.9, "rad"), quantity(200, "deg"), quantity(110, "%")),
        qualifiers=_flexion_qualifiers,
        needs="movement",
    ),
    Kind("knee_effusion_stroke", _levels, ({"valueString": "some"}, quantity(3, "cm"))),
    Kind(
        "hhd_force",
        _numbers((7.5, 10, 10.1, 12, 60, 75, 80, 98.0665, 98.1, 100, 107.3, 120), "N", "kgf", "daN"),
        (quantity(10, "kg"), quantity(2000, "N"), {"valueQuantity": {"value": 100}}),
        qualifiers=lambda chance: {"muscle": chance.choice(("knee extensors", "knee extensors", "knee flexors"))},
        needs="muscle",
    ),
    Kind(
        "hop_single_distance",
        _numbers((1.1, 50, 90, 99, 100, 110, 117, 127, 130), "cm", "m", "[in_i]", "mm"),
        (quantity(100, "s"), quantity(100, "{score}")),
    ),
    Kind("hop_6m_timed", _numbers((1.8, 1.9, 2, 2.1, 2.5, 3), "s"), (quantity(2, "cm"), quantity(0.5, "s"))),
    Kind(
        "pain_nprs", _numbers((0, 1, 2, 3, 3.5, 4, 10), "{score}", "1"), (quantity(300, "%"), quantity(11, "{score}"))
    ),
    Kind(
        "tug",
        _numbers((9.9, 11.9, 12, 12.1, 15, 0.2), "s", "min", "ms"),
        (quantity(12, "m"), {"valueQuantity": {"value": 12}}),
        sided=False,
    ),
)


# Two measures of one scale stand in records of their own, so that each record holds both.
SIGNED = tuple(
    Kind(
        measure,
        _numbers(numbers, "deg"),
        (quantity(0.1, "rad"), quantity(100, "deg"), quantity(2, "%")),
        qualifiers=lambda chance: {"movement": chance.choice(("passive", "passive", "passive", "active"))},
        needs="movement",
    )
    for measure, numbers in (
        ("knee_extension_deficit", (0, 0, 1, 2, 2.5, 3, 5, 9)),
        ("knee_hyperextension", (0, 0, 0.5, 2, 3, 4, 6)),
    )
)


class Writer:
    """Writes one person's records; `crowded` ones take few days and all oddities."""

    def __init__(self, setting: Setting, chance: Random, *, crowded: bool, kinds: Sequence[Kind] = KINDS) -> None:
        self._kinds = kinds
        self._setting = setting
        self._chance = chance
        self._crowded = crowded
        self._number = 0

    def record(self) -> list[Observation]:
        """A handful of Observations about two or three measures and findings."""
        kinds = self._chance.sample(self._kinds, k=2)
        many = self._chance.randint(2, 4)
        drawn = [self._measured(kind) for kind in kinds for _ in range(many)]
        drawn += [self._finding() for _ in range(self._chance.randint(1, 2))]
        return [self._finished(one) for one in drawn]

    def _measured(self, kind: Kind) -> Observation:
        one: Observation = {**self._coded(kind), **self._value(kind)}
        if self._rarely():
            one.pop(self._chance.choice([key for key in one if key.startswith("value")]))
            one["dataAbsentReason"] = {"text": "not done"}
        return one

    def _value(self, kind: Kind) -> Observation:
        return dict(self._chance.choice(kind.wrong)) if self._rarely() else kind.values(self._chance)

    def _coded(self, kind: Kind) -> Observation:
        side, said = self._side(kind), kind.qualifiers(self._chance)
        if kind.measure == "knee_flexion" and side in LOINC_FLEXION and self._chance.random() < 0.25:
            # What this code means is the active motion of one knee.
            said.pop("movement")
            return {"code": _concept(names.LOINC, LOINC_FLEXION[side]), **_extensions(said)}
        if kind.needs is not None and self._rarely():
            said.pop(kind.needs)
        return {"code": _concept(self._base + names.MEASURE_CODE_SYSTEM, kind.measure), **self._sided(side, said)}

    def _side(self, kind: Kind) -> str | None:
        if not kind.sided or self._rarely():
            return None
        own = self._setting.plan.side
        return self._chance.choice((own, own, own, OTHER[own], OTHER[own], "involved", "uninvolved"))

    def _sided(self, side: str | None, said: dict[str, str]) -> Observation:
        if side in SIDE_CODES and self._chance.random() < 0.4:
            site = {"bodySite": _concept(names.SNOMED, SIDE_CODES[side])}
            clash = {"side": OTHER[side]} if self._rarely() else {}
            return {**site, **_extensions({**clash, **said})}
        return _extensions({**({"side": side} if side else {}), **said})

    def _finding(self) -> Observation:
        system = self._setting.plan.protocol.url + names.FINDING_CODE_SYSTEM
        level = self._chance.choice(("present", "absent", "not-asked"))
        said: Observation = {"valueCodeableConcept": {"text": level}}
        if level != "not-asked" and self._chance.random() < 0.3:
            said = {"valueBoolean": level == "present"}
        if self._rarely():
            said = {"valueString": "perhaps"}
        return {"code": _concept(system, self._chance.choice(("no-lag", "limp"))), **said}

    def _finished(self, one: Observation) -> Observation:
        self._number += 1
        status = self._chance.choice(STATUSES if self._crowded else STATUSES[:-2])
        if self._rarely():
            status = self._chance.choice(VOID)
        head = {"resourceType": "Observation", "id": f"o{self._number}", "status": status}
        odd = (
            {"modifierExtension": [{"url": "https://example.org/odd", "valueBoolean": True}]} if self._rarely() else {}
        )
        subject = {"subject": {"reference": self._setting.plan.patient}}
        return {**head, **odd, **one, **subject, **self._moment()}

    def _moment(self) -> Observation:
        if self._rarely():
            return {}
        day = self._day()
        if not self._crowded:
            return {"effectiveDateTime": self._instant(day)}
        return self._crowded_moment(day)

    def _crowded_moment(self, day: Span) -> Observation:
        """A month, a day, a period, a moment that its own release may contradict; mostly a moment."""
        match self._chance.randrange(14):
            case 0:
                return {"effectiveDateTime": day.name[:7]}
            case 1 | 2:
                return {"effectiveDateTime": day.name}
            case 3:
                return {"effectivePeriod": self._period(day)}
            case 4:
                return {"effectiveDateTime": self._instant(day), "issued": self._instant(self._day())}
            case _:
                return {"effectiveDateTime": self._instant(day)}

    def _period(self, day: Span) -> Observation:
        ends = sorted((datetime.fromisoformat(self._instant(day)), datetime.fromisoformat(self._instant(self._day()))))
        return {"start": ends[0].isoformat(), "end": ends[1].isoformat()}

    def _day(self) -> Span:
        """Around surgery, around the ages that criteria ask for, today, and now and then tomorrow."""
        today, operated = self._setting.today, self._setting.operated
        crowded = (
            operated - 1,
            operated,
            operated + 1,
            today - 10,
            today - 7,
            today - 3,
            today - 1,
            today,
            today,
            today,
        )
        number = (
            self._chance.choice(crowded)
            if self._crowded
            else self._chance.choice((*range(operated, today), today, today))
        )
        if self._rarely():
            number = today + 1
        return next(day for day in self._setting.days if day.first == number)

    def _instant(self, day: Span) -> str:
        at = datetime.combine(date.fromisoformat(day.name), self._chance.choice(TIMES), tzinfo=self._setting.zone)
        zone = self._chance.choice(OFFSETS) if self._crowded else "own"
        return at.isoformat() if zone == "own" else at.astimezone(ZoneInfo(zone)).isoformat()

    def _rarely(self) -> bool:
        return self._chance.random() < (0.025 if self._crowded else 0.005)

    @property
    def _base(self) -> str:
        return self._setting.plan.clinic.base


def records(setting: Setting, count: int) -> Iterator[list[Observation]]:
    """Every other record is plain."""
    for place in range(count):
        chance = Random(f"{setting.name}/{place}")
        yield Writer(setting, chance, crowded=place % 2 != 0).record()


def signed_records(setting: Setting, count: int) -> Iterator[list[Observation]]:
    """Records of the two measures that share one signed scale."""
    for place in range(count):
        chance = Random(f"{setting.name}/signed/{place}")
        yield Writer(setting, chance, crowded=place % 2 != 0, kinds=SIGNED).record()


def bundle(record: Sequence[Observation], setting: Setting) -> Observation:
    """The record as a Bundle, with the person and the surgeries."""
    patient = {"resourceType": "Patient", "id": setting.plan.patient.removeprefix("Patient/")}
    surgeries = [
        {
            "resourceType": "Procedure",
            "id": surgery.id,
            "status": "completed",
            "subject": {"reference": setting.plan.patient},
            "performedDateTime": surgery.on.isoformat(),
        }
        for surgery in setting.plan.surgeries
    ]
    resources = [patient, *surgeries, *record]
    return {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": one} for one in resources]}


def _concept(system: str, code: str) -> Observation:
    return {"coding": [{"system": system, "code": code}]}


def _extensions(said: dict[str, str]) -> Observation:
    found = [
        {
            "url": names.MEASURE_QUALIFIER_EXTENSION,
            "extension": [
                {"url": names.QUALIFIER_NAME, "valueString": name},
                {"url": names.QUALIFIER_VALUE, "valueString": value},
            ],
        }
        for name, value in said.items()
    ]
    return {"extension": found} if found else {}
