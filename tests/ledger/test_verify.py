"""A ledger that was tampered with, and what `verify` says of it: each edit, by its name."""

import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import msgspec
import pytest

from careplan_bridge.ledger import chain, schema
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.ledger.records import ByIdentifier
from careplan_bridge.model.course import Decided, Responded
from careplan_bridge.model.decision import Decision
from careplan_bridge.model.digest import digest
from careplan_bridge.model.ledger import ExportedPlan, Verification
from careplan_bridge.model.plan import Plan
from tests.fixtures.demo import SETS
from tests.ledger.test_decisions import signed

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
ANSWER = Responded(at=NOON, about="excess", subject="flexion", evidence=("Observation/1",), by="d1", reason="seen")


def entry(decision: Decision) -> Decided:
    return Decided(
        at=NOON, decision=decision.id, kind=decision.kind, stage=decision.stage, by=("t1", "d1"), reason="all met"
    )


def another(decision: Decision) -> Decision:
    return msgspec.structs.replace(decision, id="decision-2", kind="remain", roles=("therapist",))


@pytest.fixture
def kept(open_ledger: Callable[[], Ledger], tmp_path: Path, plan: Plan, discharge: Decision) -> Path:
    """A ledger with a response, a written discharge, and a decision that waits."""
    with open_ledger() as ledger:
        ledger.add_plan(plan)
        ledger.append(plan.id, ANSWER)
        ledger.keep_check(msgspec.structs.replace(SETS[0].check(), plan=plan.id))
        ledger.save_decision(signed(discharge, "therapist"))
        ledger.save_decision(signed(discharge, "therapist", "surgeon"))
        ledger.move_decision(discharge.id, "writing")
        ledger.append(plan.id, entry(discharge))
        ledger.move_decision(discharge.id, "written")
        ledger.save_decision(another(discharge))
    return tmp_path / "ledger.sqlite"


def verified(path: Path, head: str | None = None) -> Verification:
    with Ledger(path, now=lambda: NOON, owner="verify", writing=False) as ledger:
        return ledger.verify(head)


def edited(path: Path, *statements: str) -> None:
    """By hand, as somebody does who knows SQLite: triggers are dropped and put back."""
    db = sqlite3.connect(path)
    triggers = db.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
    for name, _ in triggers:
        db.execute(f"DROP TRIGGER {name}")
    for statement in statements:
        db.execute(statement)
    for _, sql in triggers:
        db.execute(sql)
    db.commit()
    db.close()


def faults(path: Path, *statements: str) -> list[str]:
    edited(path, *statements)
    return [f"{fault.where}: {fault.what}" for fault in verified(path).faults]


def test_what_this_program_wrote_is_without_fault(kept: Path) -> None:
    found = verified(kept)
    assert found.faults == ()
    assert found.notes == ()
    assert found.rows["decisions"] == 2
    assert found.waiting_decisions == 1
    assert found.head is not None
    # a start, a revision, a check, two entries of the course; the first decision five times, the second once
    assert found.head.startswith("10:")
    assert found.rows["chain"] == 10


INSERTED = (
    "INSERT INTO decisions (id, plan, document, changed, state) SELECT 'decision-3', plan, document, changed, 'void' "
    "FROM decisions WHERE id = 'decision-1'"
)
TAMPERED = {
    "an edited reason": (
        "UPDATE decisions SET document = replace(document, 'all met', 'some met') WHERE id = 'decision-1'",
        "decision decision-1 of plan PLAN: it was edited since link 9",
    ),
    "an edited state": (
        "UPDATE decisions SET state = 'void' WHERE id = 'decision-2'",
        "decision decision-2 of plan PLAN: it was edited since link 10",
    ),
    "a removed decision": (
        "DELETE FROM decisions WHERE id = 'decision-2'",
        "decision decision-2 of plan PLAN: it was removed: link 10 is about it",
    ),
    "an inserted decision": (
        INSERTED,
        "decision decision-3 of plan PLAN: it was inserted: no link of the chain is about it",
    ),
    "an edited response": (
        "UPDATE events SET event = replace(event, 'seen', 'sent') WHERE place = 0",
        "event 0 of plan PLAN: it was edited since link 3",
    ),
    "a removed response": ("DELETE FROM events WHERE place = 0", "event 0 of plan PLAN: it was removed: link 3 is about it"),
    "a removed end of the course": (
        "DELETE FROM events WHERE place = 1",
        "decision decision-1: it is written, but the course of its plan does not hold it",
    ),
    "an edited plan": (
        "UPDATE revisions SET document = replace(document, 'case-1', 'case-2')",
        "revision 1 of plan PLAN: its document does not have its digest",
    ),
    "an edited check": (
        "UPDATE checks SET document = replace(document, 'Alder', 'Elder')",
        "it was edited since link 4",
    ),
    "an edited link": ("UPDATE chain SET at = '2026-03-01' WHERE place = 5", "link 5: it was edited, or the link before it was"),
    "a removed link": ("DELETE FROM chain WHERE place = 5", "link 5: it is missing from the chain"),
    "a trigger that is gone": ("DROP TABLE seen", "seen: this table, index or trigger is not as the program makes it"),
    "a decision about nothing": (
        "UPDATE checks SET plan = 'nobody'",
        "checks, row 1: names an entry of plans that does not exist",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", TAMPERED)
def test_tampering_is_found_and_named(kept: Path, plan: Plan, name: str) -> None:
    statement, says = TAMPERED[name]
    found = faults(kept, statement)
    assert any(says.replace("PLAN", plan.id) in line for line in found), found


@pytest.mark.usefixtures("plan")
def test_two_decisions_that_changed_places(kept: Path, plan: Plan) -> None:
    swapped = ("UPDATE decisions SET rowid = 9 WHERE id = 'decision-1'",)
    assert faults(kept, *swapped) == [
        f"decision decision-1 of plan {plan.id}: it was moved: it was decided before the one that stands before it"
    ]


def test_two_entries_of_a_course_that_changed_places(kept: Path) -> None:
    moves = ((0, 9), (1, 0), (9, 1))
    found = faults(kept, *(f"UPDATE events SET place = {after} WHERE place = {before}" for before, after in moves))  # noqa: S608
    assert len(found) == 2
    assert all("was edited since link" in line for line in found)


def test_a_link_that_was_made_anew_breaks_the_next(kept: Path) -> None:
    db = sqlite3.connect(kept)
    links = [chain.Link(*row) for row in db.execute("SELECT * FROM chain ORDER BY place")]
    db.close()
    forged = links[4]._replace(content="0" * 64)
    forged = forged._replace(link=digest([links[3].link, *forged[:-1]]))
    statement = f"UPDATE chain SET content = '{forged.content}', link = '{forged.link}' WHERE place = 5"  # noqa: S608
    assert "link 6: it was edited, or the link before it was" in faults(kept, statement)


def test_a_chain_that_was_made_anew_does_not_go_through_a_head_noted_before(kept: Path) -> None:
    noted = verified(kept).head
    assert verified(kept, noted).faults == ()
    edited(kept, "DELETE FROM decisions WHERE id = 'decision-2'", "DELETE FROM chain WHERE place = 10")
    assert verified(kept).faults == ()  # nothing in the file itself tells
    (fault,) = verified(kept, noted).faults
    assert fault.where == "chain"


def test_a_body_that_is_not_what_was_sent(open_ledger: Callable[[], Ledger], kept: Path, plan: Plan) -> None:
    with open_ledger() as ledger:
        ledger.intend(
            subject=plan.id,
            step="goal",
            kind="create",
            target="Goal",
            guard=ByIdentifier(query="identifier=x|y"),
            body=b"{}",
            decision="decision-1",
        )
    found = verified(kept)
    assert [fault.what for fault in found.faults] == ["it is planned, but its decision counts as written"]
    assert found.open_writes == 1
    assert "write 1 (goal): its body does not have its digest" in faults(kept, "UPDATE intents SET body = '[]'")


def test_a_torn_page_is_said(kept: Path) -> None:
    data = bytearray(kept.read_bytes())
    data[4096 * 3 + 8 : 4096 * 3 + 200] = b"\xff" * 192
    kept.write_bytes(data)
    assert any(fault.where == "file" for fault in verified(kept).faults)


@pytest.fixture
def of_version_1(kept: Path) -> Path:
    """The same as version 1 of the tables had it: without purges and chain."""
    edited(kept)
    db = sqlite3.connect(kept)
    at = NOON.isoformat()
    db.execute("INSERT INTO bindings SELECT id, 'a', 'http://a/fhir', 'Patient/1', NULL, ?, NULL FROM plans", (at,))
    db.execute("DROP TABLE chain")
    db.execute("DROP TABLE purges")
    db.execute("DROP TABLE facts")
    db.execute("ALTER TABLE bindings DROP COLUMN readings")
    db.execute("PRAGMA user_version = 1")
    db.commit()
    db.close()
    return kept


def test_an_older_ledger_is_read_as_it_is(of_version_1: Path) -> None:
    found = verified(of_version_1)
    assert (found.tables_version, found.head, found.faults) == (1, None, ())
    assert "which had no chain" in found.notes[0]
    with Ledger(of_version_1, now=lambda: NOON, owner="reader", writing=False) as ledger:
        assert ledger.facts("http://a/fhir", "proven") == {}
        (plan,) = ledger.plans()
        binding = ledger.binding(plan.id)
        assert binding is not None
        assert binding.pulled_from == binding.base == "http://a/fhir"
        assert [line.readings for line in ledger.export() if isinstance(line, ExportedPlan)] == [None]


def test_an_older_ledger_gets_a_chain_that_says_when_it_began(
    of_version_1: Path, open_ledger: Callable[[], Ledger], discharge: Decision
) -> None:
    with open_ledger() as ledger:
        assert ledger.decision(discharge.id) is not None
    found = verified(of_version_1)
    assert (found.tables_version, found.faults, found.rows["chain"]) == (schema.VERSION, (), 7)
    assert found.notes == (
        "the chain starts when the tables came from version 1: what stood there was taken over as it was found",
    )
    assert faults(of_version_1, "UPDATE decisions SET why = 'x' WHERE id = 'decision-1'") != []


def test_a_clock_that_goes_back_changes_no_order(tmp_path: Path, plan: Plan, discharge: Decision) -> None:
    moments = iter(NOON - timedelta(hours=hours) for hours in range(1000))
    with Ledger(tmp_path / "ledger.sqlite", now=lambda: next(moments), owner="test") as ledger:
        ledger.add_plan(plan)
        ledger.append(plan.id, ANSWER)
        ledger.append(plan.id, msgspec.structs.replace(ANSWER, at=NOON - timedelta(days=3)))
        for decision in (another(discharge), discharge):
            ledger.save_decision(decision)
        assert [event.at for event in ledger.course(plan.id).events] == [NOON, NOON - timedelta(days=3)]
        assert [record.decision.id for record in ledger.decisions(plan.id)] == ["decision-2", "decision-1"]
    found = verified(tmp_path / "ledger.sqlite")
    assert found.faults == ()
    assert any(note.startswith("the clock went back between links 1 and 2") for note in found.notes)
