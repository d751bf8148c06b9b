"""The cases that both oracles are asked, and our own verdicts on them."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from careplan_bridge.criteria.record import evidence
from careplan_bridge.criteria.statements import evidence_of
from careplan_bridge.criteria.survey import survey
from careplan_bridge.files import shipped
from careplan_bridge.measures.reader import Reader
from careplan_bridge.model.check import Verdict
from careplan_bridge.model.criterion import Criterion, TimeSince
from careplan_bridge.model.measure import FINDING
from tests.oracles.asked import criteria
from tests.oracles.clinics import SETTINGS, Setting
from tests.oracles.observations import Observation, records, signed_records

ANSWERS = {Verdict.MET: True, Verdict.NOT_MET: False, Verdict.CANNOT_TELL: None}
_TIMED = 10  # what no record changes is asked with every tenth only


@dataclass(frozen=True, slots=True)
class Record:
    """One person's Observations, the criteria that are about any of them, and what we say to each: met, not met, cannot tell."""

    setting: Setting
    entries: list[Observation]
    ours: dict[str, bool | None]
    reasons: dict[str, str] = field(default_factory=dict[str, str])


@cache
def kinds() -> dict[str, str]:
    """Criterion id to kind."""
    return {one.id: kind for kind, several in criteria().items() for one in several}


@cache
def asked() -> tuple[Criterion, ...]:
    return tuple(one for several in criteria().values() for one in several)


def judged(count: int, fewer: int) -> tuple[list[Record], list[Record]]:
    """`count` records of each setting and a third as many of the signed scale, judged by `read` and `criteria`; and the first `fewer`."""
    several: list[Record] = []
    few: list[Record] = []
    for setting in SETTINGS:
        for drawn, most, first in ((records, count, fewer), (signed_records, count // 3, fewer // 3)):
            found = [_judged(setting, one, timed=place % _TIMED == 0) for place, one in enumerate(drawn(setting, most))]
            several += found
            few += found[:first]
    return several, few


def _judged(setting: Setting, entries: list[Observation], *, timed: bool) -> Record:
    about = _about(entries)
    relevant = tuple(one for one in asked() if (timed if _is_time(one) else _concerned(one, about)))
    plan = setting.asking(relevant)
    read = _reader(setting.name).read_all(entries, patient=setting.plan.patient)
    # A whole criteria check is this survey, and the search for the moment at which it would next change.
    results = survey(evidence(plan, read).until(setting.at, complete=True)).criteria
    return Record(
        setting,
        entries,
        {result.id: ANSWERS[result.verdict] for result in results},
        {result.id: result.reason for result in results},
    )


@cache
def _reader(name: str) -> Reader:
    setting = next(one for one in SETTINGS if one.name == name)
    return Reader(shipped.catalogue(), setting.conventions)


def _about(entries: Sequence[Observation]) -> set[str]:
    codes: list[Any] = [one["code"]["coding"][0] for one in entries]
    return {_measure(coding["system"], coding["code"]) for coding in codes}


def _measure(system: str, code: str) -> str:
    if system.endswith("/finding"):
        return FINDING
    return "knee_flexion" if system == "http://loinc.org" else code


def _concerned(criterion: Criterion, about: set[str]) -> bool:
    return bool(set(evidence_of(criterion.condition, shipped.catalogue().measures)) & about)


def _is_time(criterion: Criterion) -> bool:
    return isinstance(criterion.condition, TimeSince)
