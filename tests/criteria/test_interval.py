"""A verdict about an interval says exactly what every number in it says."""

from collections.abc import Callable
from decimal import Decimal
from fractions import Fraction
from itertools import product

from hypothesis import assume, given, settings
from hypothesis import strategies as st

from careplan_bridge.criteria import interval
from careplan_bridge.criteria.interval import Interval
from careplan_bridge.criteria.truth import CANNOT_TELL, MET, NOT_MET
from careplan_bridge.model.check import Verdict

halves = st.integers(-12, 12).map(lambda n: Decimal(n) / 2)
FAR = 40  # an open end is completed as far as any bound could matter


@st.composite
def intervals(draw: st.DrawFn, numbers: st.SearchStrategy[Decimal] = halves, *, ends: bool = True) -> Interval:
    low, high = sorted((draw(numbers), draw(numbers)))
    if low == high:
        return Interval.exactly(low)
    opened = st.booleans() if ends else st.just(value=False)
    return Interval(
        None if draw(opened) else low,
        None if draw(opened) else high,
        draw(st.booleans()),
        draw(st.booleans()),
    )


def completions(value: Interval) -> list[Fraction]:
    """Every quarter that the value may be: finer than any bound, so no case is missed."""
    return [q for q in (Fraction(n, 4) for n in range(-FAR, FAR + 1)) if contains(value, q)]


def contains(value: Interval, number: Fraction) -> bool:
    above = value.low is None or number > value.low or (number == value.low and value.low_included)
    below = value.high is None or number < value.high or (number == value.high and value.high_included)
    return above and below


def exactly(answers: set[bool]) -> Verdict:
    return {frozenset({True}): MET, frozenset({False}): NOT_MET}.get(frozenset(answers), CANNOT_TELL)


@given(intervals(), intervals())
@settings(max_examples=300)
def test_inside_is_what_every_completion_says(value: Interval, wanted: Interval) -> None:
    answers = {contains(wanted, number) for number in completions(value)}
    assert interval.inside(value, wanted) == exactly(answers)


@given(intervals(), halves, st.booleans())
def test_a_bound_that_is_not_included_is_not_reached(value: Interval, bound: Decimal, included: bool) -> None:  # noqa: FBT001
    answers = {number > bound or (included and number == bound) for number in completions(value)}
    assert interval.at_least(value, bound, included=included) == exactly(answers)


def in_image(result: Interval, a: Interval, b: Interval, combine: Callable[[Fraction, Fraction], Fraction]) -> None:
    """Every pair of completions gives a number of the result, and no narrower interval would do."""
    numbers = [combine(x, y) for x in completions(a) for y in completions(b)]
    assert all(contains(result, number) for number in numbers)
    for end, reached, extreme in (
        (result.low, result.low_included, min(numbers)),
        (result.high, result.high_included, max(numbers)),
    ):
        if end is not None and reached:
            assert end == extreme


bounded = intervals(ends=False)


@given(bounded, bounded)
def test_a_difference_holds_every_difference(a: Interval, b: Interval) -> None:
    in_image(interval.difference(a, b), a, b, lambda x, y: x - y)


@given(bounded)
def test_a_magnitude_holds_every_magnitude(a: Interval) -> None:
    in_image(interval.magnitude(a), a, Interval.exactly(Decimal(0)), lambda x, _: abs(x))


positive = st.integers(0, 12).map(lambda n: Decimal(n) / 2)


@given(intervals(positive, ends=False), intervals(positive, ends=False))
def test_a_percentage_holds_every_percentage(part: Interval, whole: Interval) -> None:
    result = interval.percentage(part, whole)
    if Fraction(0) in completions(whole):
        assert result is None
    else:
        assert result is not None
        in_image(result, part, whole, lambda x, y: 100 * x / y)


def test_a_percentage_of_what_may_be_below_zero_is_none() -> None:
    assert interval.percentage(Interval(Decimal(-1), Decimal(5)), Interval.exactly(Decimal(5))) is None


def test_a_percentage_has_no_upper_end_where_the_whole_begins_at_zero() -> None:
    whole = Interval(Decimal(0), Decimal(10), low_included=False)
    assert interval.percentage(Interval.exactly(Decimal(5)), whole) == Interval(Fraction(50), None)


def test_a_percentage_without_an_upper_end_comes_near_zero_but_not_to_it() -> None:
    result = interval.percentage(Interval.exactly(Decimal(5)), Interval(Decimal(10), None))
    assert result == Interval(Fraction(0), Fraction(50), low_included=False)


def test_nothing_is_rounded() -> None:
    nearly = Decimal("89." + "9" * 40)
    assert interval.at_least(Interval.exactly(nearly), Decimal(90)) is NOT_MET
    apart = interval.difference(Interval.exactly(Decimal(90)), Interval.exactly(nearly))
    assert interval.at_least(apart, Decimal(0), included=False) is MET
    assert interval.negative(Interval.exactly(nearly)).low == nearly.copy_negate()


@given(st.lists(bounded, min_size=1, max_size=4))
@settings(max_examples=300)
def test_a_hull_holds_them_all_and_its_ends_are_theirs(several: list[Interval]) -> None:
    whole = interval.hull(several)
    assert all(contains(whole, number) for value in several for number in completions(value))
    assert whole.low in {value.low for value in several}
    assert whole.high in {value.high for value in several}


def test_a_hull_has_an_open_end_where_one_of_them_has() -> None:
    whole = interval.hull([Interval(None, Decimal(3), high_included=False), Interval.exactly(Decimal(1))])
    assert whole == Interval(None, Decimal(3), high_included=False)


@given(st.lists(intervals(), min_size=1, max_size=3), st.lists(intervals(), max_size=2))
@settings(max_examples=200)
def test_the_highest_holds_every_highest_and_its_ends_are_reached(sure: list[Interval], more: list[Interval]) -> None:
    found = interval.highest(sure, [*sure, *more])
    several = [completions(value) for value in (*sure, *more)]
    assume(all(several))
    picks = [max(choice) for choice in product(*(sorted({one[0], one[-1]}) for one in several[: len(sure)]))]
    assert all(contains(found, pick) for pick in picks)
    assert found.high is None or max(one[-1] for one in several) >= Fraction(found.high) - Fraction(1, 4)
    assert found.low is None or min(picks) <= Fraction(found.low) + Fraction(1, 4)
