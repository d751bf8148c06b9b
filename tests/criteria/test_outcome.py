"""What follows from the verdicts: red flags, orders, dates, marks, and who signs."""

import pytest
from msgspec.structs import replace

from careplan_bridge.criteria.deciding import respond_to_red_flag
from careplan_bridge.model.check import CriteriaCheck, Outcome
from careplan_bridge.model.course import Course, StageEntered
from careplan_bridge.model.criterion import Criterion, Precaution, TimeSince, WithinBounds
from careplan_bridge.model.measure import FINDING
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.reading import Hint, Reading, Source, Unusable
from tests.criteria.build import (
    CALF,
    FLEXION,
    a_plan,
    at_least,
    at_most,
    checked,
    criterion,
    days,
    deg,
    found,
    grade,
    instant,
    moment,
    of,
    reading,
    restriction,
    unusable,
)

REACHES_100 = WithinBounds(measured=of(FLEXION), bounds=at_least(100))
TODAY = instant(18)
BENT, STIFF = reading(FLEXION, deg(112), TODAY, name="bent"), reading(FLEXION, deg(88), TODAY, name="stiff")
DENIED = found("calf", "absent", TODAY, name="denied")
PRESENT = found("calf", "present", TODAY, name="present")


def plan(**more: object) -> Plan:
    return a_plan(criterion(REACHES_100), red_flags=[CALF], **more)  # pyright: ignore[reportArgumentType]


def flag(*entries: Reading | Unusable, of_plan: Plan | None = None, complete: bool = True) -> str:
    return checked(of_plan or plan(), BENT, *entries, complete=complete).red_flags[0].state


@pytest.mark.parametrize(
    ("level", "expected"), [("present", "present"), ("absent", "absent"), ("not-asked", "not-asked")]
)
def test_the_answer_to_a_red_flags_question(level: str, expected: str) -> None:
    assert flag(found("calf", level, TODAY)) == expected


def test_a_question_that_was_not_asked() -> None:
    assert flag() == "not-asked"
    assert flag(found("other", "absent", TODAY)) == "not-asked"
    assert (
        flag(replace(DENIED, qualifiers={"protocol": "https://example.org/another", "finding": "calf"})) == "not-asked"
    )


def test_a_denial_counts_only_if_as_recent_as_the_newest_reading_used() -> None:
    assert flag(found("calf", "absent", instant(18, 8))) == "absent"
    assert flag(found("calf", "absent", instant(17))) == "out-of-date"


def test_present_stands_whatever_was_said_later() -> None:
    assert flag(found("calf", "present", instant(10)), DENIED) == "present"
    assert flag(found("calf", "present", instant(0)), DENIED) == "present"
    assert flag(found("calf", "present", instant(10)), DENIED, complete=False) == "present"
    assert flag(found("calf", "present", instant(-10)), DENIED) == "absent"


def test_a_denial_cannot_be_told_where_something_newer_may_be_missing() -> None:
    unreadable = Unusable(
        source=Source(resource="Observation/x"),
        reason="finding-unreadable",
        says="it says maybe",
        settle="present, absent or not-asked",
        hint=Hint(measure=FINDING, qualifiers={"finding": "calf"}, at=instant(19)),
    )
    assert flag(DENIED, unreadable) == "cannot-tell"
    assert flag(DENIED, complete=False) == "cannot-tell"
    either = replace(PRESENT, value=grade("present", "absent"))
    assert flag(either) == "cannot-tell"


def test_an_entry_that_could_not_be_read_but_says_present_is_not_talked_away() -> None:
    unreadable = Unusable(
        source=Source(resource="Observation/x"),
        reason="other-subject",
        says="whose it is, is not known",
        settle="the person it is about",
        hint=Hint(measure=FINDING, qualifiers={"finding": "calf"}, value=grade("present"), at=instant(10)),
    )
    assert flag(unreadable, DENIED) == "cannot-tell"
    assert flag(replace(unreadable, void=True), DENIED) == "absent"


def test_what_nobody_can_read_waits_for_a_clinician_and_can_be_answered() -> None:
    unreadable = Unusable(
        source=Source(resource="Observation/x"),
        reason="other-subject",
        says="whose it is, is not known",
        settle="the person it is about",
        hint=Hint(measure=FINDING, qualifiers={"finding": "calf"}, value=grade("present"), at=instant(10)),
    )
    seen = checked(plan(), BENT, unreadable, DENIED)
    assert [entry.reason for entry in seen.red_flags[0].unusable] == ["other-subject"]
    assert flag(unreadable, DENIED, of_plan=answered(plan(), seen)) == "absent"


def answered(of_plan: Plan, check: CriteriaCheck) -> Plan:
    response = respond_to_red_flag(of_plan, check, "calf", person_id="s1", reason="scan negative", at=moment(19))
    return replace(of_plan, course=of_plan.course.plus(response))


def test_a_response_settles_what_it_named_until_something_newer_is_measured() -> None:
    first = checked(plan(), BENT, PRESENT)
    assert first.outcome is Outcome.BLOCKED
    after = answered(plan(), first)
    settled = checked(after, BENT, PRESENT)
    assert (settled.outcome, settled.red_flags[0].state) == (Outcome.AWAITING_DECISION, "responded")
    assert settled.red_flags[0].response == "Sam Marsh, surgeon, 2026-03-21: scan negative"
    again = found("calf", "present", instant(20, 9))
    assert checked(after, BENT, PRESENT, again).outcome is Outcome.BLOCKED
    newer = reading(FLEXION, deg(114), instant(20, 9))
    assert checked(after, BENT, PRESENT, newer).red_flags[0].state == "out-of-date"
    assert checked(after, BENT, PRESENT, newer, found("calf", "absent", instant(20, 8))).red_flags[0].state == "absent"


@pytest.mark.parametrize(
    ("entries", "more", "expected"),
    [
        ([BENT, DENIED], {}, Outcome.AWAITING_DECISION),
        ([STIFF, DENIED], {}, Outcome.NOT_YET),
        ([DENIED], {}, Outcome.INFORMATION_MISSING),
        ([BENT], {}, Outcome.INFORMATION_MISSING),
        ([BENT, DENIED], {"confirmed": False}, Outcome.INFORMATION_MISSING),
        ([BENT, DENIED], {"earliest": 20}, Outcome.AWAITING_DECISION),
        ([BENT, DENIED], {"earliest": 21}, Outcome.NOT_YET),
        ([DENIED], {"earliest": 21}, Outcome.NOT_YET),
        ([STIFF], {"confirmed": False}, Outcome.NOT_YET),
        ([BENT, PRESENT], {}, Outcome.BLOCKED),
        ([STIFF, PRESENT], {"earliest": 21}, Outcome.BLOCKED),
        ([BENT, DENIED], {"restrictions": [restriction(at_most(90))]}, Outcome.BLOCKED),
        (
            [BENT, DENIED, unusable(FLEXION, instant(15), value=deg(130))],
            {"restrictions": [restriction(at_most(120))]},
            Outcome.INFORMATION_MISSING,
        ),
    ],
)
def test_the_outcome(entries: list[Reading | Unusable], more: dict[str, object], expected: Outcome) -> None:
    result = checked(plan(**more), *entries)
    assert result.outcome is expected
    assert bool(result.missing) or expected is not Outcome.INFORMATION_MISSING


def test_what_is_missing_is_said_with_how_to_get_it() -> None:
    result = checked(plan(confirmed=False))
    assert result.missing == (
        "What asked says: no reading; at least 100 deg wanted. Needed: knee flexion (active, involved side), measured.",
        "Red flag 'calf' (Calf pain or new swelling of the leg?): not asked; ask it, and record present or absent.",
        "Nobody has confirmed that these are all of the surgeon's orders; ask the surgeon, and confirm it in the case.",
    )


def test_nothing_is_awaited_on_an_incomplete_retrieval() -> None:
    only_time = a_plan(criterion(TimeSince(at_least=1), no_older_than=None))
    assert checked(only_time).outcome is Outcome.AWAITING_DECISION
    assert checked(only_time, complete=False).outcome is Outcome.INFORMATION_MISSING


def test_who_signs_is_named_for_what_this_stage_can_lead_to() -> None:
    needed = checked(plan()).signatures_needed
    assert [(one.decision, one.role, one.people) for one in needed] == [
        ("advance", "therapist", ("Robin Vale (t1)",)),
        ("remain", "therapist", ("Robin Vale (t1)",)),
    ]
    last = Course(events=(StageEntered(at=moment(15), stage="discharge", decision="x"),))
    needed = checked(plan(course=last)).signatures_needed
    assert [(one.decision, one.role) for one in needed] == [
        ("discharge", "therapist"),
        ("discharge", "surgeon"),
        ("remain", "therapist"),
    ]


def marks(*entries: Reading, criterion_of: Criterion, day: int = 20) -> list[str]:
    return [mark.mark for mark in checked(a_plan(criterion_of), *entries, at=moment(day, 18)).attention]


def test_behind_and_call_the_surgeon() -> None:
    due = criterion(REACHES_100, expected_by=19, call_surgeon_by=20)
    assert marks(STIFF, criterion_of=due) == ["behind", "call-surgeon"]
    assert marks(BENT, criterion_of=due) == []
    assert marks(STIFF, criterion_of=due, day=19) == []
    assert marks(criterion_of=due) == ["behind", "call-surgeon"]


def series(*values: int) -> list[Reading]:
    return [reading(FLEXION, deg(value), instant(20 - 3 * place)) for place, value in enumerate(reversed(values))]


@pytest.mark.parametrize(
    ("values", "stalled"),
    [((85, 84, 85), True), ((79, 85, 85), True), ((78, 85, 85), False), ((84, 85), False), ((85, 80, 90), False)],
)
def test_stalled_is_no_change_beyond_error_over_three_visits(values: tuple[int, ...], stalled: bool) -> None:  # noqa: FBT001
    assert ("stalled" in marks(*series(*values), criterion_of=criterion(REACHES_100))) is stalled


def test_nothing_is_stalled_without_an_error_figure_or_once_it_is_met() -> None:
    passive = {"movement": "passive"}
    entries = [reading(FLEXION, deg(85), instant(day), qualifiers=passive) for day in (10, 14, 18)]
    unknown = criterion(WithinBounds(measured=of(FLEXION, passive), bounds=at_least(100)))
    assert marks(*entries, criterion_of=unknown) == []
    assert marks(*series(105, 106, 105), criterion_of=criterion(REACHES_100)) == []


@pytest.mark.parametrize(
    ("values", "bounds", "trend"),
    [
        ((70, 85), at_least(100), "improving"),
        ((85, 70), at_least(100), "worsening"),
        ((85, 80), at_least(100), "no-change"),
        ((77, 85), at_least(100), None),
        ((70, 85), at_most(60), "worsening"),
        ((60, 62, 85), at_least(100), "improving"),
    ],
)
def test_a_trend_is_said_only_beyond_measurement_error(
    values: tuple[int, ...], bounds: object, trend: str | None
) -> None:
    condition = WithinBounds(measured=of(FLEXION), bounds=bounds)  # pyright: ignore[reportArgumentType]
    assert checked(a_plan(criterion(condition)), *series(*values)).criteria[0].trend == trend


@pytest.mark.parametrize(
    ("precaution", "lifting", "says"),
    [
        (Precaution(id="p", text="x"), "not-met", "Until the stage is left."),
        (
            Precaution(id="p", text="x", lifted_by=("asked",)),
            "met",
            "Lifted by a clinician once: What asked says (met).",
        ),
        (
            Precaution(id="p", text="x", lifted_by=("asked",), before_day=28),
            "not-met",
            "Lifted by a clinician once: What asked says (met); not before week 4 (2026-03-30).",
        ),
        (
            Precaution(id="p", text="x", before_day=20),
            "met",
            "Lifted by a clinician once: not before day 20 (2026-03-22).",
        ),
    ],
)
def test_a_precaution_says_whether_it_could_be_lifted(precaution: Precaution, lifting: str, says: str) -> None:
    base = plan()
    stage = replace(base.stages[0], precautions=(precaution,))
    found_precaution = checked(replace(base, stages=(stage, *base.stages[1:])), BENT).precautions[0]
    assert (found_precaution.lifting, found_precaution.lifting_says) == (lifting, says)


def test_a_precaution_of_a_stage_that_was_left_holds_until_its_day() -> None:
    base = plan(course=Course(events=(StageEntered(at=moment(15), stage="discharge", decision="x"),)))
    precautions = (Precaution(id="long", text="x", before_day=28), Precaution(id="short", text="x", before_day=16))
    stage = replace(base.stages[0], precautions=precautions)
    result = checked(replace(base, stages=(stage, *base.stages[1:])), BENT)
    assert [(one.id, one.lifting_says) for one in result.precautions] == [("long", "Until week 4 (2026-03-30).")]


def test_stages_are_shown_with_their_dates() -> None:
    shown = [(one.id, one.state, one.from_date.isoformat()) for one in checked(plan()).stages]
    assert shown == [("settle", "current", "2026-03-02"), ("discharge", "ahead", "2026-04-13")]


def test_the_protocol_says_over_how_many_visits_nothing_may_change() -> None:
    entries = [reading(FLEXION, deg(85), instant(day)) for day in (4, 11, 18)]
    asked = WithinBounds(measured=of(FLEXION), bounds=at_least(110))
    for over, stalled in ((2, True), (3, True), (4, False)):
        plan = a_plan(replace(criterion(asked), stalled_over=over))
        assert ("stalled" in {one.mark for one in checked(plan, *entries).attention}) is stalled


def test_an_answer_is_outdated_by_a_reading_whose_time_is_still_running() -> None:
    asked = WithinBounds(measured=of(FLEXION), bounds=at_least(3))
    plan = a_plan(criterion(asked, no_older_than=None), red_flags=[CALF])
    entries = [reading(FLEXION, deg(5), days(8, 14)), found("calf", "absent", instant(9, 8))]
    now = checked(plan, *entries, at=moment(9, 18))
    assert now.red_flags[0].state == "absent"
    assert now.next_change_at is not None
    at_change = checked(plan, *entries, at=now.next_change_at)
    assert (at_change.day, at_change.red_flags[0].state) == (10, "out-of-date")
