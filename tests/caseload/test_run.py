"""One plan's failure never hides another's."""

from datetime import UTC, datetime

import pytest

from careplan_bridge.caseload.run import Steps, exit_code, run
from careplan_bridge.errors import (
    BridgeError,
    DecisionRefused,
    EndpointDown,
    RunAgain,
    ServerRefused,
    WriteConflict,
    WriteUnresolved,
)
from careplan_bridge.model.check import CriteriaCheck
from careplan_bridge.model.course import Course, Decided
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.run import PlanResult
from tests.built import a_check, a_plan

NOON = datetime(2026, 4, 1, 12, tzinfo=UTC)


def steps(*, failing: dict[str, Exception] | None = None, complete: bool = True, written: int = 0) -> Steps:
    def judge(plan: Plan) -> CriteriaCheck:
        if error := (failing or {}).get(plan.id):
            raise error
        return a_check(plan, complete=complete)

    return Steps(finish=lambda _: 0, judge=judge, write=lambda _plan, _check: written, waiting=lambda _: [])


def statuses(results: list[PlanResult]) -> list[str]:
    return [result.status for result in results]


def test_a_failing_plan_stands_between_two_that_were_run() -> None:
    plans = [a_plan("a"), a_plan("b"), a_plan("c")]
    results = list(run(plans, steps(failing={"b": EndpointDown("the endpoint did not answer")})))
    assert statuses(results) == ["unchanged", "failed", "unchanged"]
    assert results[1].detail == "the endpoint did not answer"
    assert exit_code(results) == 1


@pytest.mark.parametrize(
    ("error", "status", "code"),
    [
        (EndpointDown("x"), "failed", 3),
        (ServerRefused("x"), "refused", 1),
        (DecisionRefused("x"), "refused", 1),
        (WriteConflict("x"), "refused", 4),
        (WriteUnresolved("x"), "failed", 4),
    ],
)
def test_what_went_wrong_decides_the_status(error: BridgeError, status: str, code: int) -> None:
    (result,) = run([a_plan("a")], steps(failing={"a": error}))
    assert (result.status, result.exit_code) == (status, code)
    assert exit_code([result]) == code


def test_a_fault_of_ours_is_named_by_its_type_alone() -> None:
    (result,) = run([a_plan("a")], steps(failing={"a": KeyError("Jane Roe, born 1980-01-01")}))
    assert (result.status, result.exit_code) == ("failed", 70)
    assert "KeyError" in result.detail
    assert "Roe" not in result.detail


def test_a_stop_ends_the_run() -> None:
    results = run([a_plan("a"), a_plan("b")], steps(failing={"a": RunAgain("locked")}))
    with pytest.raises(RunAgain):
        next(results)


def test_an_incomplete_retrieval_is_no_success() -> None:
    (result,) = run([a_plan("a")], steps(complete=False))
    assert (result.status, result.exit_code) == ("failed", 1)


def test_what_was_written_makes_it_done() -> None:
    assert statuses(list(run([a_plan("a")], steps(written=2)))) == ["done"]


def test_a_closed_plan_is_left_alone() -> None:
    decided = Decided(at=NOON, decision="d", kind="discharge", stage="discharge", by=("t1",), reason="done")
    (result,) = run([a_plan("a", course=Course(events=(decided,)))], steps(failing={"a": AssertionError()}))
    assert result.status == "skipped"
    assert exit_code([result]) == 0
