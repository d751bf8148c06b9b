"""Every write is guarded by an identifier or a version, and set down in the ledger before it is sent (I5)."""

import json
from pathlib import Path

from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.model.plan import Plan
from careplan_bridge.sandbox.exchange import Answer, Asked, Handler
from careplan_bridge.sandbox.server import Sandbox
from careplan_bridge.writeback.decision import write_decision
from careplan_bridge.writeback.push import push_plan
from tests.writeback import occasions
from tests.writeback.occasions import acknowledged


def test_no_write_goes_out_unguarded_or_unannounced(plan: Plan, tmp_path: Path, *, transactions: bool) -> None:
    path = tmp_path / "ledger.sqlite"
    writes: list[Asked] = []

    def watch(asked: Asked, handler: Handler) -> Answer:
        if asked.method in {"POST", "PUT"} and "_search" not in asked.path:
            writes.append(asked)
            assert asked.body in in_flight(path, plan)
        return handler(asked)

    with Sandbox(transactions=transactions) as sandbox:
        occasions.put_patient(sandbox.base, plan)
        sandbox.misbehaviours.append(watch)
        with occasions.connected(occasions.endpoint(sandbox.base)) as client, occasions.open_ledger(path) as ledger:
            push_plan(client, ledger, plan)
            decision, check = acknowledged(ledger, plan)
            write_decision(client, ledger, plan, decision, check)
    assert len(writes) == (3 if transactions else 19)
    assert [asked.path for asked in writes if not is_guarded(asked)] == []


def in_flight(path: Path, plan: Plan) -> list[bytes]:
    """Bodies that another process would find in the ledger as sent and unanswered at this moment."""
    with Ledger(path, now=occasions.now, owner="look", writing=False) as ledger:
        return [intent.body for intent in ledger.open_intents(plan.id) if intent.state == "sent"]


def is_guarded(asked: Asked) -> bool:
    if not asked.path:
        requests = [entry["request"] for entry in json.loads(asked.body)["entry"]]
        return all("ifNoneExist" in request or request.get("ifMatch", "").startswith('W/"') for request in requests)
    return bool(asked.headers.get("if-match" if asked.method == "PUT" else "if-none-exist"))
