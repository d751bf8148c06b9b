"""The criteria that the oracles are asked: every kind that both languages can say, near the values that the records hold."""

from decimal import Decimal

from careplan_bridge.model.criterion import (
    AllOf,
    Alternative,
    AnyOf,
    AtLeastOf,
    Change,
    Condition,
    Criterion,
    FindingIs,
    FirstDoneOf,
    Measured,
    OtherSide,
    TimeSince,
    WithinBounds,
)
from careplan_bridge.model.value import Bounds, Threshold
from tests.criteria.build import at_least, at_most, between

ACTIVE = {"movement": "active"}


def _of(measure: str, side: str | None = "involved", **qualifiers: str) -> Measured:
    return Measured(measure=measure, side=side, qualifiers=qualifiers)


FLEXION = _of("knee_flexion", movement="active")
FLEXION_SUPINE = _of("knee_flexion", movement="active", position="supine")
PASSIVE = _of("knee_flexion", movement="passive")
EFFUSION = _of("knee_effusion_stroke")
FORCE = _of("hhd_force", muscle="knee extensors")
HOP = _of("hop_single_distance")
HOP_TIME = _of("hop_6m_timed")
PAIN = _of("pain_nprs")
WALK = _of("tug", None)


def _above(number: int) -> Bounds:
    return Bounds(low=Threshold(number=Decimal(number)), low_included=False)


BENDS = WithinBounds(measured=FLEXION, bounds=at_least(110))
BENDS_LYING = WithinBounds(measured=FLEXION_SUPINE, bounds=between(90, 120))
CALM = WithinBounds(measured=EFFUSION, bounds=at_most("1+"))
STRONG = WithinBounds(measured=FORCE, bounds=at_least("98.0665"))
QUICK = WithinBounds(measured=WALK, bounds=Bounds(high=Threshold(number=Decimal(12)), high_included=False))
INDEX = OtherSide(measured=FORCE, index=at_least(75))
HOPS_ALIKE = OtherSide(measured=HOP, index=between(90, 110))
NO_LAG = FindingIs(finding="no-lag", text="Straight-leg raise without lag")
NO_LIMP = FindingIs(finding="limp", text="Limps", expected="absent")
LIMPS = FindingIs(finding="limp", text="Limps")
BENDS_WELL = WithinBounds(measured=FLEXION, bounds=between(100, 121))
DEFICIT = _of("knee_extension_deficit", movement="passive")
BEYOND = _of("knee_hyperextension", movement="passive")
GAINED = Change(measured=FLEXION, bounds=at_least(10))

CONDITIONS: dict[str, tuple[Condition, ...]] = {
    "threshold": (
        BENDS,
        WithinBounds(measured=PASSIVE, bounds=_above(110)),
        CALM,
        WithinBounds(measured=EFFUSION, bounds=at_least("trace")),
        STRONG,
        QUICK,
        WithinBounds(measured=HOP, bounds=at_least(127)),
        WithinBounds(measured=PAIN, bounds=at_most(3)),
        WithinBounds(measured=FLEXION, bounds=at_most(110)),
        WithinBounds(measured=_of("knee_flexion"), bounds=at_least(100)),
        WithinBounds(measured=FORCE, bounds=_above(100)),
        WithinBounds(measured=HOP_TIME, bounds=at_most(2)),
        WithinBounds(measured=_of("pain_nprs", "uninvolved"), bounds=at_most(2)),
    ),
    "between": (
        BENDS_LYING,
        WithinBounds(measured=PASSIVE, bounds=between(90, 110)),
        WithinBounds(measured=EFFUSION, bounds=between("trace", "2+")),
        WithinBounds(measured=_of("knee_effusion_stroke"), bounds=between("1+", "1+")),
        WithinBounds(measured=WALK, bounds=between("11.9", 15)),
    ),
    "limb symmetry index": (INDEX, HOPS_ALIKE, OtherSide(measured=HOP_TIME, index=at_least(90))),
    "side difference": (
        OtherSide(measured=FLEXION, difference=at_most(5)),
        OtherSide(measured=HOP, difference=at_most(10)),
        OtherSide(measured=FORCE, difference=between("2.5", 20)),
        OtherSide(measured=FLEXION_SUPINE, difference=at_least(10)),
    ),
    "change since baseline": (
        GAINED,
        Change(measured=FORCE, bounds=at_least(20)),
        Change(measured=HOP_TIME, bounds=at_most(-1)),
        Change(measured=HOP, bounds=between("-0.1", "16.9")),
        Change(measured=PAIN, bounds=at_most(0)),
    ),
    "change since best": (
        Change(measured=FLEXION, bounds=at_least(-5), since="best", best="highest"),
        Change(measured=FORCE, bounds=at_least(0), since="best", best="highest"),
        Change(measured=HOP_TIME, bounds=at_most("0.1"), since="best", best="lowest"),
        Change(measured=PAIN, bounds=at_most(0), since="best", best="lowest"),
        Change(measured=HOP, bounds=between("-10", 17), since="best", best="highest"),
    ),
    "signed scale": (
        OtherSide(measured=DEFICIT, difference=at_most(3)),
        OtherSide(measured=BEYOND, difference=between(2, 6)),
        OtherSide(measured=DEFICIT, difference=between("4.5", 9)),
        WithinBounds(measured=DEFICIT, bounds=at_most(2)),
        WithinBounds(measured=BEYOND, bounds=at_least(0)),
        Change(measured=DEFICIT, bounds=at_most(-3)),
        Change(measured=DEFICIT, bounds=at_most(1), since="best", best="lowest"),
    ),
    "visits in a row": (
        WithinBounds(measured=EFFUSION, bounds=at_most("1+"), visits_in_a_row=2),
        WithinBounds(measured=FLEXION, bounds=at_least(110), visits_in_a_row=2),
        WithinBounds(measured=PAIN, bounds=at_most(3), visits_in_a_row=3),
        WithinBounds(measured=FORCE, bounds=at_least(75), visits_in_a_row=2),
    ),
    "time": (
        TimeSince(at_least=13),
        TimeSince(at_least=14),
        TimeSince(at_least=15),
        TimeSince(at_least=11, surgery="release"),
    ),
    "finding": (NO_LAG, NO_LIMP, LIMPS),
    "all of": (
        AllOf(conditions=(BENDS, CALM)),
        AllOf(conditions=(BENDS_WELL, GAINED)),
        AllOf(conditions=(TimeSince(at_least=14), NO_LAG, QUICK)),
    ),
    "any of": (
        AnyOf(conditions=(BENDS, NO_LAG)),
        AnyOf(conditions=(NO_LAG, LIMPS)),
        AnyOf(conditions=(STRONG, TimeSince(at_least=15), CALM)),
    ),
    "at least of": (
        AtLeastOf(count=2, conditions=(BENDS, BENDS_WELL, NO_LIMP)),
        AtLeastOf(count=1, conditions=(NO_LAG, NO_LIMP)),
        AtLeastOf(count=2, conditions=(BENDS, CALM, NO_LAG)),
        AtLeastOf(count=2, conditions=(AnyOf(conditions=(STRONG, QUICK)), GAINED, NO_LIMP)),
    ),
    "first done of": (
        FirstDoneOf(alternatives=(Alternative(condition=INDEX, not_before=7), Alternative(condition=BENDS))),
        FirstDoneOf(
            alternatives=(
                Alternative(condition=GAINED),
                Alternative(condition=STRONG, not_before=10),
                Alternative(condition=QUICK),
            )
        ),
    ),
}

# A criterion with a window and one without; the ages of the records lie around these.
_AGES = (7, None, 10, 3, 14)


def criteria() -> dict[str, tuple[Criterion, ...]]:
    """By kind; every other criterion of a kind accepts preliminary entries, and windows go round."""
    return {
        kind: tuple(_criterion(kind, place, condition) for place, condition in enumerate(conditions))
        for kind, conditions in CONDITIONS.items()
    }


def _criterion(kind: str, place: int, condition: Condition) -> Criterion:
    return Criterion(
        id=f"{kind.replace(' ', '-')}-{place + 1}",
        says=f"{kind} {place + 1}",
        condition=condition,
        no_older_than=None if isinstance(condition, TimeSince) else _AGES[place % len(_AGES)],
        accepts=("preliminary",) if place % 2 else (),
    )
