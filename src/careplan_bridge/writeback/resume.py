"""Goes on with what earlier runs left open for a plan: finds out what became of writes without an answer, and rolls forward."""

from careplan_bridge.endpoint.http import Client
from careplan_bridge.errors import OurFault, WrongUse
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.ledger.records import DecisionRecord
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.receipt import Receipt
from careplan_bridge.writeback.converge import Converge
from careplan_bridge.writeback.decision import write_decision
from careplan_bridge.writeback.push import push_plan


def settle(client: Client, ledger: Ledger, plan_id: str) -> Receipt:
    """Bring every open write of a plan to its end: its push, its fully signed decisions, what went unsigned.

    Raises what these raise; what is still open then stays in the ledger. The receipt is empty where nothing was open.
    """
    plan = ledger.plan(plan_id)
    if plan is None:
        raise WrongUse(f"plan {plan_id} is not in this ledger; `push` puts it there")
    receipts = [*_push(client, ledger, plan), *_decisions(client, ledger, plan)]
    return _joined(client, plan_id, receipts)


def _push(client: Client, ledger: Ledger, plan: Plan) -> list[Receipt]:
    """A push is gone on with as it began. An unsigned write only has its fate found out: the next check says anew what is to be said."""
    mine = [intent for intent in ledger.open_intents(plan.id) if intent.decision is None]
    receipts = [push_plan(client, ledger, plan)] if any(intent.kind != "update" for intent in mine) else []
    work = Converge(client, ledger, subject=plan.id, plan=plan.id)
    for intent in mine:
        if intent.kind == "update" and intent.state in {"sent", "unknown"}:
            work.find_out(intent)
    return [*receipts, work.told.receipt()]


def _decisions(client: Client, ledger: Ledger, plan: Plan) -> list[Receipt]:
    signed = [record for record in ledger.waiting(plan.id) if record.state in {"ready", "writing"}]
    return [_decision(client, ledger, plan, record) for record in signed]


def _decision(client: Client, ledger: Ledger, plan: Plan, record: DecisionRecord) -> Receipt:
    check = ledger.check(record.decision.digest)
    if check is None:
        raise OurFault(f"the check of decision {record.decision.id} is not in the ledger that acknowledged it")
    decided_on = ledger.plan(plan.id, record.decision.revision) or plan
    return write_decision(client, ledger, decided_on, record.decision, check)


def _joined(client: Client, plan_id: str, receipts: list[Receipt]) -> Receipt:
    items = tuple(item for receipt in receipts for item in receipt.items)
    says = tuple(sentence for receipt in receipts for sentence in receipt.says)
    return Receipt(endpoint=client.endpoint.name, plan=plan_id, items=items, says=says)
