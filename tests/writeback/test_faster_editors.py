"""Other programs that write between our reading and our writing, and another run of ours at the same moment."""

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from careplan_bridge.endpoint.http import Client
from careplan_bridge.errors import WriteConflict
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.model.plan import Plan
from careplan_bridge.sandbox.exchange import Answer, Asked, Handler
from careplan_bridge.sandbox.server import Sandbox
from careplan_bridge.writeback.converge import TRIES
from careplan_bridge.writeback.decision import write_decision
from careplan_bridge.writeback.push import push_plan
from tests.writeback import occasions
from tests.writeback.occasions import acknowledged, ask, edit_just_before_sending, on_server


@pytest.fixture(params=[409, 412])
def sandbox(plan: Plan, request: pytest.FixtureRequest, *, transactions: bool) -> Iterator[Sandbox]:
    """Servers differ in what they call a stale write; both are met both ways."""
    with Sandbox(transactions=transactions, stale_status=request.param) as sandbox:
        occasions.put_patient(sandbox.base, plan)
        yield sandbox


@pytest.fixture
def base(sandbox: Sandbox) -> str:
    return sandbox.base


def test_an_edit_beside_what_we_manage_is_kept_and_the_decision_written(
    client: Client, ledger: Ledger, plan: Plan, base: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    push_plan(client, ledger, plan)
    decision, check = acknowledged(ledger, plan)
    edit_just_before_sending(monkeypatch, base, {"description": "words of another clinician"})
    write_decision(client, ledger, plan, decision, check)
    (care_plan,) = on_server(base, "CarePlan")
    assert (care_plan["status"], care_plan["description"]) == ("active", "words of another clinician")
    assert care_plan["meta"]["versionId"] == "3"
    assert ledger.open_intents(plan.id) == ()


def test_an_edit_of_what_we_manage_stops_the_decision_and_is_kept(
    client: Client, ledger: Ledger, plan: Plan, base: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    push_plan(client, ledger, plan)
    decision, check = acknowledged(ledger, plan)
    edit_just_before_sending(monkeypatch, base, {"status": "on-hold"})
    with pytest.raises(WriteConflict, match='status was "draft", is "on-hold", and would become "active"'):
        write_decision(client, ledger, plan, decision, check)
    assert (on_server(base, "CarePlan")[0]["status"], ledger.course(plan.id).events) == ("on-hold", ())
    assert [record.state for record in ledger.waiting(plan.id)] == ["writing"]


def test_an_editor_who_never_stops_is_not_fought_for_ever(
    sandbox: Sandbox, client: Client, ledger: Ledger, plan: Plan, base: str
) -> None:
    push_plan(client, ledger, plan)
    decision, check = acknowledged(ledger, plan)
    edits: list[int] = []

    def meddle(asked: Asked, handler: Handler) -> Answer:
        ours = b"careplan-bridge" in asked.headers.get("user-agent", "").encode()
        if ours and asked.method in {"PUT", "POST"} and b'"CarePlan"' in asked.body:
            edits.append(len(edits))
            (care_plan,) = on_server(base, "CarePlan")
            ask("PUT", f"{base}/CarePlan/{care_plan['id']}", {**care_plan, "description": f"edit {len(edits)}"})
        return handler(asked)

    sandbox.misbehaviours.append(meddle)
    with pytest.raises(WriteConflict, match="run this again later"):
        write_decision(client, ledger, plan, decision, check)
    assert len(edits) == TRIES
    sandbox.misbehaviours.clear()
    write_decision(client, ledger, plan, decision, check)
    assert on_server(base, "CarePlan")[0]["description"] == f"edit {TRIES}"


def test_two_runs_that_push_one_plan_at_once_make_it_once_or_name_both(plan: Plan, base: str, tmp_path: Path) -> None:
    """Two machines with a ledger each: the server's conditional create is all that stands between them."""
    said: list[BaseException] = []
    gate = threading.Barrier(2)

    def push(name: str) -> None:
        with occasions.connected(occasions.endpoint(base)) as client, occasions.open_ledger(tmp_path / name) as ledger:
            gate.wait(30)
            try:
                push_plan(client, ledger, plan)
            except WriteConflict as conflict:
                said.append(conflict)

    runs = [threading.Thread(target=push, args=(name,)) for name in ("one.sqlite", "two.sqlite")]
    for run in runs:
        run.start()
    for run in runs:
        run.join(60)
    held = on_server(base, "CarePlan")
    assert len(held) == 1 or all(f"CarePlan/{each['id']}" in str(conflict) for conflict in said for each in held)
    assert len(held) == 1 or said
