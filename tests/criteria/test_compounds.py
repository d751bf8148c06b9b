"""Findings, time, and conditions made of others."""

import pytest

from careplan_bridge.criteria.truth import CANNOT_TELL, MET, NOT_MET
from careplan_bridge.model.check import CriterionResult, Verdict
from careplan_bridge.model.criterion import (
    AllOf,
    Alternative,
    AnyOf,
    AtLeastOf,
    FindingIs,
    FirstDoneOf,
    OtherSide,
    TimeSince,
    WithinBounds,
)
from careplan_bridge.model.measure import FINDING, Measure
from careplan_bridge.model.reading import Hint, Reading, Source, Unusable
from tests.built import SURGERY
from tests.criteria.build import (
    FLEXION,
    FORCE,
    TORQUE,
    a_plan,
    at_least,
    checked,
    criterion,
    deg,
    found,
    instant,
    judged,
    moment,
    of,
    reading,
    unusable,
)

NO_LAG = FindingIs(finding="no-lag", text="Straight-leg raise without lag")
REACHES_100 = WithinBounds(measured=of(FLEXION), bounds=at_least(100))
REACHES_200 = WithinBounds(measured=of(FLEXION), bounds=at_least(200))
SITS_100 = WithinBounds(measured=of(FLEXION, {"movement": "active", "position": "sitting"}), bounds=at_least(100))
TODAY = instant(18)
BENT = reading(FLEXION, deg(112), TODAY)


@pytest.mark.parametrize(
    ("level", "expected", "verdict"),
    [
        ("present", "present", MET),
        ("absent", "present", NOT_MET),
        ("not-asked", "present", CANNOT_TELL),
        ("absent", "absent", MET),
        ("present", "absent", NOT_MET),
    ],
)
def test_a_finding(level: str, expected: str, verdict: Verdict) -> None:
    condition = FindingIs(finding="no-lag", text="Straight-leg raise without lag", expected=expected)
    assert judged(condition, found("no-lag", level, TODAY)).verdict is verdict


def test_a_finding_that_was_not_recorded_is_unknown() -> None:
    result = judged(NO_LAG, found("gait", "present", TODAY))
    assert (result.verdict, result.reason) == (CANNOT_TELL, "no-reading")
    assert result.settle == "a clinician's finding, present or absent: Straight-leg raise without lag"


def test_the_latest_answer_counts_and_two_of_one_moment_contradict_each_other() -> None:
    earlier = found("no-lag", "absent", instant(11))
    assert judged(NO_LAG, earlier, found("no-lag", "present", TODAY)).verdict is MET
    assert judged(NO_LAG, found("no-lag", "absent", TODAY), found("no-lag", "present", TODAY)).verdict is CANNOT_TELL
    assert judged(NO_LAG, earlier, no_older_than=5).reason == "out-of-date"


def test_an_answer_that_cannot_be_read_hides_the_one_before_it() -> None:
    unreadable = Unusable(
        source=Source(resource="Observation/x"),
        reason="finding-unreadable",
        says="it says maybe",
        settle="present, absent or not-asked",
        hint=Hint(measure=FINDING, qualifiers={"finding": "no-lag"}, at=instant(19)),
    )
    assert judged(NO_LAG, found("no-lag", "present", TODAY), unreadable).verdict is CANNOT_TELL


@pytest.mark.parametrize(("at_day", "verdict"), [(27, NOT_MET), (28, MET)])
def test_time_since_surgery_includes_its_day(at_day: int, verdict: Verdict) -> None:
    plan = a_plan(criterion(TimeSince(at_least=28), no_older_than=None))
    result = checked(plan, at=moment(at_day)).criteria[0]
    assert result.verdict is verdict
    assert result.arithmetic.endswith("at least 28 days wanted: reached on 2026-03-30")


def test_time_since_a_surgery_that_the_case_does_not_name_is_unknown() -> None:
    assert judged(TimeSince(at_least=3, surgery="other")).reason == "surgery-unknown"
    assert judged(TimeSince(at_least=3, surgery=SURGERY.id)).verdict is MET


@pytest.mark.parametrize(
    ("condition", "verdict"),
    [
        (AllOf(conditions=(REACHES_100, NO_LAG)), CANNOT_TELL),
        (AllOf(conditions=(REACHES_200, NO_LAG)), NOT_MET),
        (AnyOf(conditions=(REACHES_100, NO_LAG)), MET),
        (AnyOf(conditions=(REACHES_200, NO_LAG)), CANNOT_TELL),
        (AtLeastOf(count=2, conditions=(REACHES_100, REACHES_200, NO_LAG)), CANNOT_TELL),
        (AtLeastOf(count=1, conditions=(REACHES_100, REACHES_200, NO_LAG)), MET),
        (AtLeastOf(count=3, conditions=(REACHES_100, REACHES_200, NO_LAG)), NOT_MET),
    ],
)
def test_combined(condition: AllOf | AnyOf | AtLeastOf, verdict: Verdict) -> None:
    result = judged(condition, BENT)
    assert result.verdict is verdict
    assert [part.id for part in result.parts] == [f"asked.{n}" for n in range(1, len(condition.conditions) + 1)]
    assert [one.used for one in result.readings] == [True]


def test_a_compound_that_cannot_be_told_says_what_would_settle_each_part() -> None:
    result = judged(AllOf(conditions=(SITS_100, NO_LAG)))
    assert result.arithmetic == "0 of 2 met; all 2 wanted"
    assert result.settle == (
        "knee flexion (active, sitting, involved side), measured; "
        "a clinician's finding, present or absent: Straight-leg raise without lag"
    )


def test_compounds_may_say_less_than_they_deserve() -> None:
    """At most 100 or at least 90 holds for every value; of two parts that cannot be told nothing is claimed."""
    condition = AnyOf(conditions=(REACHES_100, WithinBounds(measured=of(FLEXION), bounds=at_least(90))))
    assert judged(condition, reading(FLEXION, deg(80, 120), TODAY)).verdict is CANNOT_TELL


QUADS = FirstDoneOf(
    alternatives=(
        Alternative(condition=OtherSide(measured=of(TORQUE), index=at_least(75)), not_before=14),
        Alternative(condition=OtherSide(measured=of(FORCE), index=at_least(75))),
    )
)


def pair(measure: Measure, left: int, day: int = 18) -> list[Reading]:
    unit = measure.unit or ""
    return [
        reading(measure, deg(left, unit=unit), instant(day)),
        reading(measure, deg(100, unit=unit), instant(day), side="right"),
    ]


def first_done(*entries: Reading | Unusable) -> CriterionResult:
    return judged(QUADS, *entries)


def test_the_first_that_was_done_decides() -> None:
    result = first_done(*pair(TORQUE, 72), *pair(FORCE, 91))
    assert result.verdict is NOT_MET
    assert result.arithmetic.startswith("isokinetic peak torque (knee extensors, involved side), limb symmetry index")
    assert {one.measure for one in result.readings} == {TORQUE.id}
    assert first_done(*pair(FORCE, 91)).verdict is MET


def test_what_was_done_too_early_or_too_long_ago_was_not_validly_done() -> None:
    assert first_done(*pair(TORQUE, 72, 12), *pair(FORCE, 91)).verdict is MET
    assert judged(QUADS, *pair(TORQUE, 72, 15), *pair(FORCE, 91), no_older_than=4).verdict is MET


def test_an_alternative_that_may_have_been_done_leaves_it_open() -> None:
    attempt = unusable(TORQUE, instant(18))
    result = first_done(*pair(FORCE, 91), attempt, unusable(TORQUE, instant(18), side="right"))
    assert (result.verdict, result.reason) == (CANNOT_TELL, "unusable-entry")


def test_where_none_was_done_each_is_named() -> None:
    result = first_done()
    assert (result.verdict, result.reason) == (CANNOT_TELL, "none-done")
    assert result.settle.startswith("one of these: isokinetic peak torque")
