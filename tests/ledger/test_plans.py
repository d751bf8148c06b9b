import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import msgspec
import pytest

from careplan_bridge.errors import PlanRefused, WrongUse
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.model.course import Course, Decided, StageEntered
from careplan_bridge.model.endpoint import Endpoint
from careplan_bridge.model.plan import Plan

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
ADVANCED = Decided(at=NOON, decision="a", kind="advance", stage="settle", by=("t1",), reason="all met")
ENTERED = StageEntered(at=NOON, stage="bend", decision="a")


def test_a_plan_comes_back_as_it_went_in_digits_and_all(ledger: Ledger, plan: Plan) -> None:
    ledger.add_plan(plan)
    kept = ledger.plan(plan.id)
    assert kept == plan
    assert msgspec.json.encode(kept) == msgspec.json.encode(plan)


def test_the_course_is_added_to_and_survives_a_new_revision(ledger: Ledger, plan: Plan) -> None:
    ledger.append(plan.id, ADVANCED, ENTERED)
    ledger.add_plan(msgspec.structs.replace(plan, revision=2, case="case-1b"))
    kept = ledger.plan(plan.id)
    assert kept is not None
    assert (kept.revision, kept.course.events, kept.current.id) == (2, (ADVANCED, ENTERED), "bend")
    first = ledger.plan(plan.id, revision=1)
    assert first is not None
    assert first.case == "case-1"


def test_an_event_that_stands_there_is_not_added_again(ledger: Ledger, plan: Plan) -> None:
    ledger.append(plan.id, ADVANCED)
    ledger.append(plan.id, ADVANCED, ENTERED)
    assert ledger.course(plan.id).events == (ADVANCED, ENTERED)


def test_a_revision_never_changes(ledger: Ledger, plan: Plan) -> None:
    with pytest.raises(PlanRefused, match=r"revision 1 .* other content"):
        ledger.add_plan(msgspec.structs.replace(plan, case="another"))


def test_a_course_that_contradicts_the_ledger_is_refused(ledger: Ledger, plan: Plan) -> None:
    ledger.append(plan.id, ADVANCED)
    other = msgspec.structs.replace(ADVANCED, at=NOON + timedelta(days=1))
    with pytest.raises(PlanRefused, match=r"course .* differs"):
        ledger.add_plan(msgspec.structs.replace(plan, course=Course(events=(other,))))


def test_the_course_of_a_plan_from_elsewhere_is_taken_over(open_ledger: Callable[[], Ledger], plan: Plan) -> None:
    with open_ledger() as ledger:
        ledger.add_plan(msgspec.structs.replace(plan, course=Course(events=(ADVANCED, ENTERED))))
        assert ledger.course(plan.id).stage == "bend"


def test_not_even_by_hand_is_the_past_rewritten(ledger: Ledger, plan: Plan, tmp_path: Path) -> None:
    ledger.append(plan.id, ADVANCED)
    db = sqlite3.connect(tmp_path / "ledger.sqlite")
    for statement in ("UPDATE events SET place = 9", "UPDATE revisions SET digest = 'x'"):
        with pytest.raises(sqlite3.IntegrityError):
            db.execute(statement)
    db.close()


def test_a_plan_lives_in_one_place(ledger: Ledger, plan: Plan, endpoint: Endpoint) -> None:
    ledger.bind(plan.id, endpoint, "Patient/p1")
    ledger.bind_care_plan(plan.id, "CarePlan/7")
    ledger.bind_goal(plan.id, f"{plan.id}/settle/flexion", "Goal/8")
    again = ledger.bind(plan.id, endpoint, "Patient/p1")
    assert (again.care_plan, again.goals) == ("CarePlan/7", {f"{plan.id}/settle/flexion": "Goal/8"})
    with pytest.raises(WrongUse, match="lives on endpoint rehearsal"):
        ledger.bind(
            plan.id, msgspec.structs.replace(endpoint, name="b", base="https://other.example/fhir"), "Patient/p1"
        )
    with pytest.raises(WrongUse, match="another patient") as refused:
        ledger.bind(plan.id, endpoint, "Patient/p2")
    assert "p2" not in str(refused.value)


def test_a_crash_inside_a_group_of_writes_leaves_none_of_them(ledger: Ledger, plan: Plan) -> None:
    def killed() -> None:
        with ledger.together():
            ledger.append(plan.id, ADVANCED)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        killed()
    assert ledger.course(plan.id).events == ()
