"""What the next visit should measure, ask and look for, and what is not yet safe to test."""

from datetime import date
from typing import Literal

from msgspec import Struct

from careplan_bridge.model.check import Judgement

Suppression = Literal["red-flag", "excess", "possible-excess", "restriction", "not-before"]


class Purpose(Struct, frozen=True, kw_only=True):
    """The criterion that something is measured for, and why: `reason` is the verdict's own, `says` its sum in words.

    `rank` is the place among ranked alternatives: a later one is for a clinic that cannot do the one before it.
    """

    criterion: str
    title: str
    reason: str
    says: str
    rank: int | None = None


class VisitTest(Struct, frozen=True, kw_only=True):
    """One thing to measure, or to look for (`measure` is then finding): on which side, in which way, with which device.

    `within` are the restrictions in force that it must keep to.
    """

    measure: str
    title: str
    side: str | None
    qualifiers: dict[str, str]
    device: str | None
    purposes: tuple[Purpose, ...]
    within: tuple[str, ...] = ()


class Station(Struct, frozen=True, kw_only=True):
    """Tests that share a position and a device; None: the protocol lays down none."""

    position: str | None
    device: str | None
    tests: tuple[VisitTest, ...]


class Suppressed(Struct, frozen=True, kw_only=True):
    """A test that is not yet safe: `why` a code, `says` the reason, `until` the day that ends it; None: a clinician's response."""

    test: VisitTest
    why: Suppression
    says: str
    until: date | None


class Question(Struct, frozen=True, kw_only=True):
    """A red flag to ask about; `state` as in the criteria check."""

    id: str
    ask: str
    act: str
    state: str


class Age(Struct, frozen=True, kw_only=True):
    """The newest reading that a criterion can rest on. From `out_of_date_on` on it is too old; `out_of_date` says whether it is."""

    criterion: str
    title: str
    what: str
    measured: date
    shown: str
    out_of_date_on: date
    out_of_date: bool


class NextVisit(Judgement, frozen=True, kw_only=True):
    document: Literal["next-visit"] = "next-visit"
    version: Literal[1] = 1
    stage_title: str
    ask: tuple[Question, ...]
    stations: tuple[Station, ...]
    suppressed: tuple[Suppressed, ...]
    ages: tuple[Age, ...]
    precautions: tuple[str, ...]
