"""Looking after a ledger: copies, exports, and what a purge leaves."""

import hashlib
import json
import sqlite3
import stat
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import pytest

from careplan_bridge.errors import PlanRefused, WriteUnresolved, WrongUse
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.ledger.records import ByVersion
from careplan_bridge.model.course import Decided
from careplan_bridge.model.decision import Decision
from careplan_bridge.model.endpoint import Endpoint
from careplan_bridge.model.ledger import (
    ExportedCheck,
    ExportedDecision,
    ExportedEvent,
    ExportedIntent,
    ExportedLink,
    ExportedPlan,
    ExportEnd,
    ExportHeader,
)
from careplan_bridge.model.plan import Plan
from tests.fixtures.demo import SETS
from tests.ledger.test_decisions import signed

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
CANARY = "Canary, so that it is found again"


@pytest.fixture
def closed(ledger: Ledger, plan: Plan, discharge: Decision, endpoint: Endpoint) -> Ledger:
    """Pushed, discharged and written; the reason holds a word that is found again."""
    decision = msgspec.structs.replace(discharge, reason=CANARY)
    ledger.bind(plan.id, endpoint, "Patient/p1")
    ledger.bind_care_plan(plan.id, "CarePlan/7")
    ledger.bind_goal(plan.id, "g", "Goal/8")
    for reference in ("CarePlan/7", "Goal/8", "CarePlan/of-another"):
        ledger.saw(endpoint.base, reference, "1", b"{}")
    ledger.keep_check(msgspec.structs.replace(SETS[0].check(), plan=plan.id))
    ledger.save_decision(signed(decision, "therapist", "surgeon"))
    ledger.move_decision(decision.id, "writing")
    send(ledger, plan, CANARY.encode(), decision=decision.id)
    ledger.append(
        plan.id, Decided(at=NOON, decision=decision.id, kind="discharge", stage="discharge", by=("t1",), reason=CANARY)
    )
    ledger.move_decision(decision.id, "written")
    return ledger


def by_hand(folder: Path, statement: str, *values: object) -> None:
    db = sqlite3.connect(folder / "ledger.sqlite", isolation_level=None)
    db.execute(statement, values)
    db.close()


def send(ledger: Ledger, plan: Plan, body: bytes, *, decision: str | None = None) -> None:
    intent = ledger.intend(
        subject=plan.id,
        step="x",
        kind="update",
        target="Goal/8",
        guard=ByVersion(version="1"),
        body=body,
        decision=decision,
    )
    ledger.mark(intent.id, "sent")
    ledger.mark(intent.id, "confirmed", reference="Goal/8", version="2")


def test_a_backup_is_made_while_the_ledger_is_in_use(
    closed: Ledger, tmp_path: Path, plan: Plan, discharge: Decision
) -> None:
    with (
        Ledger(tmp_path / "ledger.sqlite", now=lambda: NOON, owner="backup", writing=False) as reader,
        closed.together(),
    ):
        closed.bind_goal(plan.id, "not yet committed", "Goal/9")
        reader.back_up(tmp_path / "copy.sqlite")
    assert stat.S_IMODE((tmp_path / "copy.sqlite").stat().st_mode) == 0o600
    assert not list(tmp_path.glob("*copy.sqlite*-*"))
    with Ledger(tmp_path / "copy.sqlite", now=lambda: NOON, owner="restored") as copy:
        assert copy.verify().faults == ()
        assert copy.plan(plan.id) == closed.plan(plan.id)
        assert copy.decision(discharge.id) == closed.decision(discharge.id)
        bound = copy.binding(plan.id)
        assert bound is not None
        assert bound.goals == {"g": "Goal/8"}


def test_a_backup_takes_no_other_files_place(ledger: Ledger, tmp_path: Path) -> None:
    (tmp_path / "copy.sqlite").write_text("precious")
    with pytest.raises(WrongUse, match="never takes another's place"):
        ledger.back_up(tmp_path / "copy.sqlite")
    with pytest.raises(WrongUse, match="choose another place"):
        ledger.back_up(tmp_path / "nowhere" / "copy.sqlite")
    assert (tmp_path / "copy.sqlite").read_text() == "precious"


def test_an_export_holds_all_and_says_where_it_ends(closed: Ledger, plan: Plan, discharge: Decision) -> None:
    header, *lines, end = closed.export()
    assert isinstance(header, ExportHeader)
    assert (header.plans, header.head) == (1, closed.verify().head)
    assert end == ExportEnd(lines=len(lines))
    kinds = [ExportedPlan, ExportedEvent, ExportedCheck, ExportedDecision, ExportedIntent, ExportedLink]
    assert [type(line) for line in lines[:5]] == kinds[:5]
    assert {type(line) for line in lines[5:]} == {ExportedLink}
    assert isinstance(lines[0], ExportedPlan)
    assert lines[0].document == plan
    assert (lines[0].care_plan, lines[0].goals) == ("CarePlan/7", {"g": "Goal/8"})
    assert isinstance(lines[3], ExportedDecision)
    assert (lines[3].document.id, lines[3].state) == (discharge.id, "written")
    assert isinstance(lines[4], ExportedIntent)
    assert lines[4].body == CANARY


def test_the_chain_of_an_export_is_checked_without_this_program(closed: Ledger) -> None:
    previous = ""
    for link in [line for line in closed.export() if isinstance(line, ExportedLink)]:
        said = [previous, link.place, link.kind, link.plan, link.entry, link.content, link.at]
        text = json.dumps(said, separators=(",", ":"), ensure_ascii=False)
        assert hashlib.sha256(text.encode()).hexdigest() == link.link
        previous = link.link


def test_an_export_of_one_plan_leaves_the_chain_out(closed: Ledger, plan: Plan) -> None:
    assert not any(isinstance(line, ExportedLink) for line in closed.export(plan.id))
    with pytest.raises(WrongUse, match="not in this ledger"):
        list(closed.export("another"))


def test_a_purge_removes_what_it_says_and_leaves_the_rest(closed: Ledger, plan: Plan, endpoint: Endpoint) -> None:
    rehearsed = closed.purge(plan.id, "kept long enough", dry_run=True)
    assert closed.plan(plan.id) is not None
    done = closed.purge(plan.id, "kept long enough")
    assert done.removed == rehearsed.removed
    assert done.removed == {
        "seen": 2, "goals": 1, "bindings": 1, "retrievals": 0, "intents": 1, "decisions": 1, "checks": 1, "events": 1,
        "revisions": 1, "plans": 1,
    }  # fmt: skip
    assert (closed.plans(), closed.decisions(plan.id), closed.intents(plan.id)) == ((), (), ())
    assert closed.seen(endpoint.base, "CarePlan/of-another") is not None
    assert closed.verify().faults == ()


def test_what_was_purged_is_gone_from_the_disk(closed: Ledger, tmp_path: Path, plan: Plan) -> None:
    def on_disk() -> bool:
        return any(CANARY.encode() in path.read_bytes() for path in tmp_path.iterdir())

    assert on_disk()
    closed.purge(plan.id, "kept long enough")
    assert not on_disk()


def test_what_was_purged_is_not_taken_in_again(closed: Ledger, plan: Plan) -> None:
    closed.purge(plan.id, "kept long enough")
    with pytest.raises(PlanRefused, match="purged from this ledger on 2026-03-02"):
        closed.add_plan(plan)


def test_only_a_closed_plan_is_purged(ledger: Ledger, plan: Plan) -> None:
    with pytest.raises(PlanRefused, match="is not closed"):
        ledger.purge(plan.id, "x")
    with pytest.raises(WrongUse, match="is not in the ledger"):
        ledger.purge("another", "x")


def test_nothing_is_purged_while_something_waits(closed: Ledger, plan: Plan, discharge: Decision) -> None:
    waiting = msgspec.structs.replace(
        signed(discharge, "therapist"), id="decision-2", kind="remain", roles=("therapist",)
    )
    closed.save_decision(waiting)
    with pytest.raises(WriteUnresolved, match="0 writes that are not settled and 1 signed decisions"):
        closed.purge(plan.id, "x")


@pytest.mark.parametrize("state", ["planned", "sent", "unknown", "conflict", "parked"])
def test_nothing_is_purged_while_a_write_is_open(closed: Ledger, tmp_path: Path, plan: Plan, state: str) -> None:
    intent = closed.intend(
        subject=plan.id, step="y", kind="update", target="Goal/8", guard=ByVersion(version="2"), body=b"{}"
    )
    by_hand(tmp_path, "UPDATE intents SET state = ? WHERE id = ?", state, intent.id)
    with pytest.raises(WriteUnresolved, match="1 writes that are not settled and 0 signed"):
        closed.purge(plan.id, "x")
    assert closed.plan(plan.id) is not None


def test_a_decision_that_nobody_signed_is_no_reason_to_keep_a_closed_plan(
    closed: Ledger, plan: Plan, discharge: Decision
) -> None:
    closed.save_decision(msgspec.structs.replace(discharge, id="decision-2", kind="remain"))
    assert closed.purge(plan.id, "x").removed["decisions"] == 2


def test_a_purge_that_is_undone_by_hand_is_found(closed: Ledger, tmp_path: Path, plan: Plan) -> None:
    closed.purge(plan.id, "x")
    by_hand(tmp_path, "INSERT INTO plans VALUES (?, '2026-03-02')", plan.id)
    by_hand(tmp_path, "INSERT INTO events VALUES (?, 0, '{}', '2026-03-02')", plan.id)
    assert "it was inserted after its plan was purged" in {fault.what for fault in closed.verify().faults}
    by_hand(tmp_path, "DELETE FROM purges")
    assert f"purge of plan {plan.id}" in {fault.where for fault in closed.verify().faults}
