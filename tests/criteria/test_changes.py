"""Change since the best visit before the latest one: what is in doubt may have been better, never certainly was."""

import pytest

from careplan_bridge.criteria.truth import CANNOT_TELL, MET, NOT_MET
from careplan_bridge.model.check import Verdict
from careplan_bridge.model.criterion import Change
from careplan_bridge.model.reading import Caveat, Reading
from tests.criteria.build import DEFICIT, FLEXION, at_least, at_most, days, deg, instant, judged, of, reading, unusable

HELD = Change(measured=of(FLEXION), bounds=at_least(-5), since="best", best="highest")
LOW = Change(measured=of(DEFICIT), bounds=at_most(2), since="best", best="lowest")


def bent(*by_day: tuple[int, object]) -> list[Reading]:
    return [reading(FLEXION, deg(value), instant(day)) for day, value in by_day]


@pytest.mark.parametrize(
    ("values", "verdict"),
    [
        ([(4, 100), (8, 110), (12, 104), (18, 105)], MET),
        ([(4, 100), (8, 110), (12, 104), (18, "104.9")], NOT_MET),
        ([(4, 100), (18, 120)], MET),
    ],
)
def test_change_counts_from_the_best_visit_before_the_latest(values: list[tuple[int, object]], verdict: Verdict):
    assert judged(HELD, *bent(*values)).verdict is verdict


def test_the_best_one_may_be_the_lowest() -> None:
    entries = [reading(DEFICIT, deg(value), instant(day)) for day, value in ((4, 5), (8, 1), (18, 3))]
    found = judged(LOW, *entries)
    assert (found.verdict, "best before 1 deg" in found.arithmetic) == (MET, True)
    assert judged(LOW, *entries, reading(DEFICIT, deg(4), instant(19))).verdict is NOT_MET


def test_one_visit_has_no_best_before_it() -> None:
    assert judged(HELD, *bent((18, 100))).reason == "only-the-baseline"


def test_a_visit_in_doubt_may_have_been_the_best_but_never_certainly_was() -> None:
    hurt = Caveat("painful", "the test hurt", weakens=True)
    unclear = [unusable(FLEXION, instant(10)), reading(FLEXION, deg(150), instant(10), caveats=[hurt])]
    for entry in unclear:
        assert judged(HELD, *bent((4, 100), (18, 100)), entry).verdict is CANNOT_TELL
        assert judged(HELD, *bent((4, 100), (18, 90)), entry).verdict is NOT_MET


def test_where_the_visits_themselves_are_in_doubt_nothing_is_told() -> None:
    loose = reading(FLEXION, deg(90), days(6, 9))
    assert judged(HELD, *bent((4, 100), (18, 100)), loose).reason == "best-in-doubt"
