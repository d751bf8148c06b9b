"""Visits in a row: each of the last visits with an entry, none left out and none guessed."""

import pytest

from careplan_bridge.criteria.truth import CANNOT_TELL, MET, NOT_MET
from careplan_bridge.model.check import CriterionResult, Verdict
from careplan_bridge.model.criterion import WithinBounds
from careplan_bridge.model.reading import Reading, Unusable
from careplan_bridge.model.value import Moment
from tests.criteria.build import (
    EFFUSION,
    a_plan,
    at_most,
    checked,
    criterion,
    days,
    grade,
    instant,
    judged,
    moment,
    of,
    reading,
    unusable,
)

CALM_TWICE = WithinBounds(measured=of(EFFUSION), bounds=at_most("1+"), visits_in_a_row=2)


def effusion(level: str, at: Moment) -> Reading:
    return reading(EFFUSION, grade(level), at)


def row(*entries: Reading | Unusable, no_older_than: int | None = 10) -> CriterionResult:
    return judged(CALM_TWICE, *entries, no_older_than=no_older_than)


@pytest.mark.parametrize(
    ("levels", "verdict", "reason"),
    [
        (["1+", "trace"], MET, "met"),
        (["2+", "1+", "trace"], MET, "met"),
        (["1+", "2+"], NOT_MET, "not-met"),
        (["2+", "1+"], NOT_MET, "not-met"),
        (["1+"], NOT_MET, "too-few-visits"),
        ([], CANNOT_TELL, "no-reading"),
    ],
)
def test_the_last_two_visits(levels: list[str], verdict: Verdict, reason: str) -> None:
    entries = [effusion(level, instant(18 - 3 * (len(levels) - place))) for place, level in enumerate(levels)]
    found = row(*entries)
    assert (found.verdict, found.reason) == (verdict, reason)


def test_the_row_is_said_oldest_first() -> None:
    found = row(effusion("1+", instant(11)), effusion("trace", instant(18)))
    assert found.arithmetic == "1+ on 2026-03-13, trace on 2026-03-20; at most 1+ wanted on 2 visits in a row: 2 so far"
    assert [one.used for one in found.readings] == [True, True]


def test_two_readings_of_one_day_are_one_visit() -> None:
    assert row(effusion("1+", instant(18, 9)), effusion("trace", instant(18, 11))).reason == "too-few-visits"


def test_an_unusable_entry_between_two_visits_breaks_the_certainty() -> None:
    between = [effusion("1+", instant(11)), unusable(EFFUSION, instant(15)), effusion("1+", instant(18))]
    assert row(*between).verdict is CANNOT_TELL
    # The newest visit is one of the last two, whatever that entry was.
    worse = [effusion("1+", instant(11)), unusable(EFFUSION, instant(15)), effusion("2+", instant(18))]
    assert row(*worse).verdict is NOT_MET
    before = [unusable(EFFUSION, instant(5)), effusion("1+", instant(11)), effusion("1+", instant(18))]
    assert row(*before).verdict is MET


def test_a_void_entry_between_them_does_not() -> None:
    void = unusable(EFFUSION, instant(15), void=True)
    assert row(effusion("1+", instant(11)), void, effusion("1+", instant(18))).verdict is MET


def test_an_entry_that_may_be_of_several_visits_leaves_the_row_open() -> None:
    found = row(effusion("1+", instant(11)), effusion("2+", days(10, 19)), effusion("1+", instant(18)))
    assert (found.verdict, found.reason) == (CANNOT_TELL, "moment-uncertain")
    assert row(effusion("2+", days(3, 5)), effusion("1+", instant(11)), effusion("1+", instant(18))).verdict is MET


def test_a_row_that_is_not_full_reaches_back_to_the_surgery() -> None:
    found = row(effusion("1+", days(3, 5)), effusion("1+", instant(18)))
    assert (found.verdict, found.reason) == (CANNOT_TELL, "moment-uncertain")
    only_loose = row(effusion("1+", days(3, 5)), unusable(EFFUSION, instant(8)), unusable(EFFUSION, instant(18)))
    assert only_loose.verdict is CANNOT_TELL


def test_only_the_newest_visit_has_to_be_recent() -> None:
    assert row(effusion("1+", instant(2)), effusion("1+", instant(18))).verdict is MET
    assert row(effusion("1+", instant(2)), effusion("1+", instant(9))).reason == "out-of-date"


def test_counts_need_a_complete_retrieval() -> None:
    entries = [effusion("1+", instant(11)), effusion("2+", instant(18))]
    found = checked(a_plan(criterion(CALM_TWICE)), *entries, complete=False)
    assert (found.criteria[0].verdict, found.criteria[0].reason) == (CANNOT_TELL, "incomplete")


def test_a_visit_after_the_moment_is_not_in_the_row() -> None:
    entries = [effusion("1+", instant(11)), effusion("1+", instant(18)), effusion("2+", instant(19))]
    plan = a_plan(criterion(CALM_TWICE))
    assert checked(plan, *entries, at=moment(18, 20)).criteria[0].verdict is MET
    assert checked(plan, *entries).criteria[0].verdict is NOT_MET
