"""Laws of judging that hold for every record."""

import os
import random
import time
from collections.abc import Callable, Generator
from contextlib import contextmanager
from datetime import timedelta
from decimal import Decimal
from itertools import islice, product
from typing import Literal
from zoneinfo import ZoneInfo

from hypothesis import assume, find, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from careplan_bridge.criteria.next_visit import next_visit
from careplan_bridge.criteria.truth import CANNOT_TELL, MET, NOT_MET
from careplan_bridge.model.check import CriteriaCheck, CriterionResult, Outcome, Verdict
from careplan_bridge.model.course import Course, Responded, StageEntered
from careplan_bridge.model.criterion import Condition, Held, WithinBounds
from careplan_bridge.model.measure import Measure
from careplan_bridge.model.next_visit import NextVisit
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.reading import Reading, Unusable
from careplan_bridge.model.value import Amount, Grade, Moment
from tests.criteria import records
from tests.criteria.build import (
    ACTIVE,
    DEFICIT,
    EFFUSION,
    FLEXION,
    FORCE,
    HYPEREXTENSION,
    WALK,
    at_least,
    at_most,
    between,
    checked,
    criterion,
    deg,
    found,
    grade,
    instant,
    moment,
    of,
    reading,
    record,
    unusable,
)
from tests.criteria.build import a_plan as plan_of
from tests.criteria.records import SUPINE, Entry

PLAN = records.the_plan()
AT = moment(10, 9, 30)
FACTS = {one.id: one for one in (FLEXION, DEFICIT, HYPEREXTENSION, FORCE, EFFUSION)}


@st.composite
def plans(draw: st.DrawFn, entries: list[Entry]) -> Plan:
    """The plan as it may stand: an order changed a restriction, clinicians responded, the person went on to the next stage."""
    plan = PLAN
    if draw(st.booleans()):
        held = Held(until=draw(st.integers(1, 12)), bounds=at_most(2), from_day=0, before_day=draw(st.integers(3, 14)))
        limits = tuple(replace(one, before_orders=(held,)) for one in plan.stages[0].restrictions)
        plan = replace(plan, stages=(replace(plan.stages[0], restrictions=limits), *plan.stages[1:]))
    events = draw(st.lists(responses(entries), max_size=2))
    left = [StageEntered(at=moment(draw(st.integers(5, 14))), stage="discharge", decision="d")]
    return replace(plan, course=Course(events=(*events, *(left if draw(st.integers(0, 3)) == 0 else []))))


_ANSWERABLE: list[tuple[Literal["red-flag", "excess"], str]] = [
    ("red-flag", "calf"),
    ("excess", "limit"),
    ("excess", "bend"),
]


@st.composite
def responses(draw: st.DrawFn, entries: list[Entry]) -> Responded:
    about, subject = draw(st.sampled_from(_ANSWERABLE))
    evidence = draw(st.lists(st.sampled_from([entry.source.key for entry in entries] or [""]), max_size=3))
    at = moment(draw(st.integers(2, 10)), 9)
    return Responded(at=at, about=about, subject=subject, evidence=tuple(evidence), by="s1", reason="Seen")


def the_check(entries: list[Entry], *, plan: Plan = PLAN, complete: bool = True) -> CriteriaCheck:
    return checked(plan, *entries, at=AT, complete=complete)


@given(st.data(), records.records(), st.randoms(use_true_random=False))
def test_order_and_duplicates_change_nothing(data: st.DataObject, entries: list[Entry], chance: random.Random) -> None:
    plan = data.draw(plans(entries))
    shuffled = [*entries, *entries[:3]]
    chance.shuffle(shuffled)
    assert the_check(shuffled, plan=plan) == the_check(entries, plan=plan)
    assert the_visit(shuffled, plan) == the_visit(entries, plan)


def the_visit(entries: list[Entry], plan: Plan = PLAN) -> NextVisit:
    return next_visit(plan, record(*entries), AT, complete=True)


@given(st.data(), records.records())
def test_what_the_plan_is_not_about_changes_nothing(data: st.DataObject, entries: list[Entry]) -> None:
    strangers: list[Entry] = [
        reading(WALK, deg(9, unit="s"), instant(9)),
        unusable(WALK, instant(9)),
        unusable(None, instant(9)),
        found("another", "present", instant(9)),
        reading(FLEXION, deg(1), instant(9), side="right"),
        unusable(FLEXION, instant(9), side="right", qualifiers=ACTIVE),
    ]
    plan = data.draw(plans(entries))
    assert the_check([*entries, *strangers], plan=plan) == the_check(entries, plan=plan)
    assert the_visit([*entries, *strangers], plan) == the_visit(entries, plan)


@contextmanager
def in_zone(zone: str) -> Generator[None]:
    before = os.environ["TZ"]
    os.environ["TZ"] = zone
    time.tzset()
    yield
    os.environ["TZ"] = before
    time.tzset()


@given(st.data(), records.records())
def test_the_zone_of_the_machine_and_of_the_moment_changes_nothing(data: st.DataObject, entries: list[Entry]) -> None:
    plan = data.draw(plans(entries))
    here, visit = the_check(entries, plan=plan), the_visit(entries, plan)
    with in_zone("America/St_Johns"):
        assert (the_check(entries, plan=plan), the_visit(entries, plan)) == (here, visit)
    assert checked(plan, *entries, at=AT.astimezone(ZoneInfo("Asia/Kathmandu"))) == here


def test_the_plans_of_these_laws_have_orders_responses_and_dated_restrictions() -> None:
    """Each of them is drawn, and each changes what comes out; else the laws would say nothing of it."""

    def drawn(wanted: Callable[[Plan, list[Entry]], bool]) -> None:
        pairs = records.records().flatmap(lambda entries: st.tuples(plans(entries), st.just(entries)))
        find(pairs, lambda one: wanted(*one), settings=settings(max_examples=2000, database=None))

    def states(plan: Plan, entries: list[Entry]) -> list[str]:
        return [one.state for one in the_check(entries, plan=plan).restrictions]

    def without_orders(plan: Plan) -> Plan:
        limits = tuple(replace(one, before_orders=()) for one in plan.stages[0].restrictions)
        return replace(plan, stages=(replace(plan.stages[0], restrictions=limits), *plan.stages[1:]))

    drawn(lambda plan, entries: states(plan, entries) != states(without_orders(plan), entries))
    drawn(lambda plan, entries: states(plan, entries) != states(replace(plan, course=Course()), entries))


def completions(entry: Entry) -> list[Entry]:
    return [entry] if isinstance(entry, Unusable) else list(worlds_of(entry))


def worlds_of(entry: Reading) -> list[Reading]:
    """Every value a reading may have, known exactly, as far as it matters.

    Bounds and limits are whole numbers. Between two of them a value near either end is enough: the difference of two such values
    comes nearer than one to each end that it may have.
    """
    if isinstance(entry.value, Amount):
        return [replace(entry, value=exact) for exact in exact_amounts(entry.value)]
    return [replace(entry, value=grade(level)) for level in exact_levels(entry)]


def exact_amounts(value: Amount) -> list[Amount]:
    numbers = (Decimal(whole) + part for whole in range(7) for part in (Decimal(0), Decimal("0.3"), Decimal("0.7")))
    return [deg(number, unit=value.unit) for number in numbers if inside(number, value)]


def inside(number: Decimal, value: Amount) -> bool:
    assert value.low is not None
    assert value.high is not None
    above = number > value.low or (number == value.low and value.low_included)
    return above and (number < value.high or (number == value.high and value.high_included))


def exact_levels(entry: Reading) -> list[str]:
    assert isinstance(entry.value, Grade)
    if entry.measure == "finding":
        return [entry.value.low or ""]
    low, high = (EFFUSION.levels.index(end or "") for end in (entry.value.low, entry.value.high))
    return list(EFFUSION.levels[low : high + 1])


def judged_alone(condition: Condition, entries: list[Entry]) -> CriterionResult:
    return checked(plan_of(criterion(condition, no_older_than=30)), *entries, at=AT).criteria[0]


@st.composite
def two_readings(draw: st.DrawFn, measure: Measure, second_side: str, *, closed: bool) -> list[Entry]:
    """One reading of each side, or of two visits, exact or not."""
    first, second = draw(records.values(measure)), draw(records.values(measure))
    if closed:
        first, second = (
            replace(one, low_included=True, high_included=True) if isinstance(one, Amount) else one
            for one in (first, second)
        )
    return [
        reading(measure, first, instant(3), side="left"),
        reading(measure, second, instant(9), side=second_side),
    ]


BETWEEN = WithinBounds(measured=of(FLEXION), bounds=between(2, 4))
ABOVE = WithinBounds(measured=of(FLEXION), bounds=replace(at_least(3), low_included=False))
TWICE = WithinBounds(measured=of(FLEXION), bounds=at_least(3), visits_in_a_row=2)
CALM = WithinBounds(measured=of(EFFUSION), bounds=at_most("1+"))
EXACT: list[tuple[Condition, Measure, str]] = [
    (records.FLEXES, FLEXION, "left"),
    (BETWEEN, FLEXION, "left"),
    (ABOVE, FLEXION, "left"),
    (TWICE, FLEXION, "left"),
    (CALM, EFFUSION, "left"),
    (records.CALM_TWICE, EFFUSION, "left"),
    (records.STRAIGHT, DEFICIT, "left"),
    (records.GAINED, FLEXION, "left"),
    (records.KEPT, FLEXION, "left"),
    (records.RISEN, DEFICIT, "left"),
    (records.REFERRED, FORCE, "right"),
    (records.APART, DEFICIT, "right"),
    (records.INDEX, FORCE, "right"),
]


@given(st.data(), st.sampled_from(EXACT))
@settings(max_examples=200)
def test_at_one_criterion_the_verdict_is_exact(data: st.DataObject, asked: tuple[Condition, Measure, str]) -> None:
    """Met if and only if every completion meets it, not met if and only if none does."""
    condition, measure, other = asked
    # With open ends the extreme of a quotient is not among its values, and no list of completions comes near enough.
    entries = data.draw(two_readings(measure, other, closed=condition is records.INDEX))
    answers = {judged_alone(condition, list(world)).verdict for world in product(*map(completions, entries))}
    assume(condition is not records.INDEX or CANNOT_TELL not in answers)  # something may be divided by zero
    expected = answers.pop() if len(answers) == 1 else CANNOT_TELL
    assert judged_alone(condition, entries).verdict is expected


@given(records.records(most=4), st.sampled_from([*records.SIMPLE, *records.COMPOUND]))
@settings(max_examples=60)
def test_a_verdict_never_says_more_than_every_completion(entries: list[Entry], condition: Condition) -> None:
    said = judged_alone(condition, entries).verdict
    if said is CANNOT_TELL:
        return
    worlds = list(islice(product(*map(completions, entries)), 200))
    assert {judged_alone(condition, list(world)).verdict for world in worlds} == {said}


OPPOSITES = {MET, NOT_MET}


@st.composite
def finer(draw: st.DrawFn, entry: Entry) -> Entry:
    """The same entry, better known: a value, a moment, a qualifier, or what an unusable entry was after all."""
    if isinstance(entry, Unusable):
        return draw(st.just(entry) | settled(entry))
    refined = draw(st.sampled_from(worlds_of(entry)))
    if entry.measure == FLEXION.id and "position" not in entry.qualifiers and draw(st.booleans()):
        refined = replace(refined, qualifiers=draw(st.sampled_from([SUPINE, {**SUPINE, "position": "sitting"}])))
    at = entry.at
    better = [at, Moment(at.low, at.low), Moment(at.high, at.high)]
    # What turns out to be later than the check was not there yet: it is another record, not a better known one.
    return replace(refined, at=draw(st.sampled_from([one for one in better if one == at or one.high <= AT])))


@st.composite
def settled(draw: st.DrawFn, entry: Unusable) -> Entry:
    """What the entry turns out to be: void, or a reading that the hint allows."""
    hint = entry.hint
    if entry.void or draw(st.booleans()) or hint.measure is None:
        return replace(entry, void=True)
    measure = FACTS[hint.measure]
    at = hint.at or draw(records.moments())
    value = hint.value or draw(records.values(measure))
    one = reading(measure, value, at, side=hint.side or draw(st.sampled_from(["left", "right"])))
    return replace(one, source=entry.source)


@given(st.data(), records.records())
@settings(max_examples=150)
def test_knowing_more_never_turns_met_into_not_met_or_back(data: st.DataObject, entries: list[Entry]) -> None:
    before = the_check(entries, complete=data.draw(st.booleans()))
    after = the_check([data.draw(finer(entry)) for entry in entries])
    for coarse, fine in zip(before.criteria, after.criteria, strict=True):
        assert {coarse.verdict, fine.verdict} != OPPOSITES, coarse.id


@given(st.data(), records.records())
def test_an_excess_known_for_certain_stays_one_however_much_more_is_known(
    data: st.DataObject, entries: list[Entry]
) -> None:
    before = the_check(entries)
    after = the_check([data.draw(finer(entry)) for entry in entries])
    certain = {one.id for one in before.restrictions if one.state == "exceeded"}
    assert certain <= {one.id for one in after.restrictions if one.state == "exceeded"}


@given(st.data(), records.records())
@settings(max_examples=150)
def test_time_alone_changes_nothing_before_the_next_change_and_something_at_it(
    data: st.DataObject, entries: list[Entry]
) -> None:
    plan = data.draw(plans(entries))
    now = checked(plan, *entries, at=AT)
    if now.next_change_at is None:
        for days in (1, 2, 3, 30, 400):
            assert timeless(checked(plan, *entries, at=AT + timedelta(days=days))) == timeless(now)
        return
    assert now.next_change_at > AT
    tick = timedelta(microseconds=1)
    for share in (1, 2, 3):
        between = AT + (now.next_change_at - tick - AT) * share / 3
        assert timeless(checked(plan, *entries, at=between)) == timeless(now)
    changed = timeless(checked(plan, *entries, at=now.next_change_at))
    assert changed != timeless(now)
    assert timeless(checked(plan, *entries, at=now.next_change_at + tick)) == changed


def timeless(check: CriteriaCheck) -> CriteriaCheck:
    return replace(check, at=AT, day=0, next_change_at=None)


@given(records.records())
def test_the_digest_is_the_same_as_long_as_nothing_has_changed(entries: list[Entry]) -> None:
    now = the_check(entries)
    later = checked(PLAN, *entries, at=AT + timedelta(seconds=1))
    assert (now.digest == later.digest) or timeless(now) != timeless(later)
    if now.criteria[0].readings:
        touched = [entry for entry in entries if entry.source == now.criteria[0].readings[0].source]
        amended = [replace(entry, source=replace(entry.source, version="2")) for entry in touched]
        rest = [entry for entry in entries if entry not in touched]
        assert the_check([*rest, *amended]).digest != now.digest


@given(records.records())
def test_unknown_never_awaits_a_decision(entries: list[Entry]) -> None:
    check = the_check(entries)
    if check.outcome is Outcome.AWAITING_DECISION:
        assert {one.verdict for one in check.criteria} == {MET}
        assert check.missing == ()
    assert the_check(entries, complete=False).outcome is not Outcome.AWAITING_DECISION


def test_awaiting_a_decision_is_within_reach() -> None:
    """The law above would hold of a check that never awaits one."""
    conditions = (records.FLEXES, records.CALM_TWICE)
    entries: list[Entry] = [
        reading(FLEXION, deg(3), instant(9)),
        reading(EFFUSION, grade("1+"), instant(5)),
        reading(EFFUSION, grade("trace"), instant(9)),
        found("calf", "absent", instant(9)),
    ]
    check = checked(records.the_plan(conditions), *entries, at=AT)
    assert (check.outcome, [one.verdict for one in check.criteria]) == (Outcome.AWAITING_DECISION, [Verdict.MET] * 2)
