"""What `sync` does first with every plan: what earlier runs left open is brought to its end, or its fate is found out."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from msgspec.structs import replace

from careplan_bridge.endpoint.http import Client
from careplan_bridge.endpoint.outcomes import AnswerLost
from careplan_bridge.errors import ServerRefused, WrongUse
from careplan_bridge.fhir import raw
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.ledger.records import ByVersion
from careplan_bridge.model.check import Verdict
from careplan_bridge.model.plan import Plan
from careplan_bridge.sandbox.exchange import Answer, Asked, Handler, HangUp
from careplan_bridge.sandbox.server import Sandbox
from careplan_bridge.writeback.decision import write_decision
from careplan_bridge.writeback.push import push_plan
from careplan_bridge.writeback.resume import settle
from careplan_bridge.writeback.unsigned import write_unsigned
from tests.writeback import occasions
from tests.writeback.occasions import acknowledged, on_server


@pytest.fixture
def sandbox(plan: Plan, *, transactions: bool) -> Iterator[Sandbox]:
    with Sandbox(transactions=transactions) as sandbox:
        occasions.put_patient(sandbox.base, plan)
        yield sandbox


@pytest.fixture
def base(sandbox: Sandbox) -> str:
    return sandbox.base


def silent_for_writes(asked: Asked, handler: Handler) -> Answer:
    if asked.method in {"POST", "PUT"}:
        raise HangUp
    return handler(asked)


def test_where_nothing_is_open_nothing_is_sent(client: Client, ledger: Ledger, plan: Plan) -> None:
    push_plan(client, ledger, plan)
    receipt = settle(client, ledger, plan.id)
    assert (receipt.items, receipt.plan) == ((), plan.id)


def test_a_push_without_an_answer_is_brought_to_its_end(
    sandbox: Sandbox, client: Client, ledger: Ledger, plan: Plan
) -> None:
    sandbox.misbehaviours.append(silent_for_writes)
    with pytest.raises(AnswerLost):
        push_plan(client, ledger, plan)
    assert [intent.state for intent in ledger.open_intents(plan.id)] == ["unknown"]
    sandbox.misbehaviours.clear()
    assert settle(client, ledger, plan.id).changed == 6
    assert len(on_server(sandbox.base, "Goal")) == 5
    assert ledger.open_intents(plan.id) == ()


def test_a_signed_decision_that_was_never_sent_is_written(
    client: Client, ledger: Ledger, plan: Plan, base: str
) -> None:
    push_plan(client, ledger, plan)
    acknowledged(ledger, plan)
    assert settle(client, ledger, plan.id).changed == 13
    assert on_server(base, "CarePlan")[0]["status"] == "active"


def test_a_decision_that_lacks_a_signature_is_left_to_wait(
    client: Client, ledger: Ledger, plan: Plan, base: str
) -> None:
    push_plan(client, ledger, plan)
    check = occasions.everything_met(plan)
    ledger.save_decision(replace(occasions.signed(plan, check, "advance"), signatures=()))
    assert settle(client, ledger, plan.id).items == ()
    assert on_server(base, "CarePlan")[0]["status"] == "draft"


def test_what_others_changed_after_the_commit_point_is_left_and_the_rest_is_written(
    sandbox: Sandbox, client: Client, ledger: Ledger, plan: Plan
) -> None:
    """The decision was made and is written; that the record went on since is no reason to leave its Goals and its trail unwritten."""
    push_plan(client, ledger, plan)
    decision, check = acknowledged(ledger, plan)
    sandbox.misbehaviours.append(no_provenance)
    with pytest.raises(ServerRefused):
        write_decision(client, ledger, plan, decision, check)
    sandbox.misbehaviours.clear()
    (care_plan,), goal = on_server(sandbox.base, "CarePlan"), on_server(sandbox.base, "Goal")[0]
    occasions.ask("PUT", f"{sandbox.base}/CarePlan/{care_plan['id']}", {**care_plan, "status": "on-hold"})
    occasions.ask("PUT", f"{sandbox.base}/Goal/{goal['id']}", {**goal, "lifecycleStatus": "cancelled"})
    assert settle(client, ledger, plan.id).changed == 1
    assert (
        on_server(sandbox.base, "CarePlan")[0]["status"],
        on_server(sandbox.base, "Goal")[0]["lifecycleStatus"],
    ) == (
        "on-hold",
        "cancelled",
    )
    (provenance,) = on_server(sandbox.base, "Provenance")
    versions = {target["reference"]: target["extension"][0]["valueString"] for target in provenance["target"]}
    assert versions[f"CarePlan/{care_plan['id']}"] == "2"  # the one that was written on the decision, not the one after
    assert ledger.waiting(plan.id) == ()


def no_provenance(asked: Asked, handler: Handler) -> Answer:
    return Answer(422) if asked.method == "POST" and asked.path == ("Provenance",) else handler(asked)


def test_a_decision_refused_by_the_server_waits(sandbox: Sandbox, client: Client, ledger: Ledger, plan: Plan) -> None:
    push_plan(client, ledger, plan)
    decision, check = acknowledged(ledger, plan)
    sandbox.misbehaviours.append(
        lambda asked, handler: Answer(422) if asked.method in {"POST", "PUT"} else handler(asked)
    )
    with pytest.raises(ServerRefused):
        write_decision(client, ledger, plan, decision, check)
    (waiting,) = ledger.waiting(plan.id)
    assert (waiting.state, ledger.course(plan.id).events) == ("writing", ())
    sandbox.misbehaviours.clear()
    settle(client, ledger, plan.id)
    assert ledger.waiting(plan.id) == ()


@pytest.mark.parametrize("done", [True, False])
def test_an_unsigned_write_without_an_answer_only_has_its_fate_found_out(
    client: Client, ledger: Ledger, plan: Plan, base: str, *, done: bool
) -> None:
    push_plan(client, ledger, plan)
    stored = on_server(base, "Goal")[0]
    goal = {**stored, "lifecycleStatus": "active"}
    reference = f"Goal/{goal['id']}"
    intent = ledger.intend(
        subject=plan.id,
        step=f"update {reference}",
        kind="update",
        target=reference,
        guard=ByVersion(version="1"),
        body=raw.encode(goal),
    )
    ledger.mark(intent.id, "sent")
    if done:
        occasions.ask("PUT", f"{base}/{reference}", goal)
    assert settle(client, ledger, plan.id).changed == done
    assert ledger.intent(intent.id).state == ("confirmed" if done else "planned")
    assert on_server(base, "Goal")[0]["lifecycleStatus"] == ("active" if done else "planned")


def test_the_next_check_says_anew_what_an_unsigned_write_could_not(
    sandbox: Sandbox, ledger: Ledger, plan: Plan
) -> None:
    to = occasions.endpoint(sandbox.base, unsigned=("improving",))
    whole = occasions.everything_met(plan)
    first, *others = whole.criteria
    check = replace(whole, criteria=(replace(first, verdict=Verdict.NOT_MET, trend="improving"), *others))
    with occasions.connected(to) as client:
        push_plan(client, ledger, plan)
        sandbox.misbehaviours.append(silent_for_writes)
        with pytest.raises(AnswerLost):
            write_unsigned(client, ledger, plan, check)
        sandbox.misbehaviours.clear()
        assert settle(client, ledger, plan.id).changed == 0
        assert write_unsigned(client, ledger, plan, check).changed == 1
    assert ledger.open_intents(plan.id) == ()


def test_a_plan_of_another_ledger_is_named(client: Client, tmp_path: Path, plan: Plan) -> None:
    with (
        occasions.open_ledger(tmp_path / "empty.sqlite") as ledger,
        pytest.raises(WrongUse, match="not in this ledger"),
    ):
        settle(client, ledger, plan.id)


def test_a_server_without_provenance_takes_the_decision_and_that_is_said(
    sandbox: Sandbox, client: Client, ledger: Ledger, plan: Plan
) -> None:
    def without_provenance(asked: Asked, handler: Handler) -> Answer:
        answer = handler(asked)
        if asked.path == ("metadata",) and answer.resource is not None:
            for rest in answer.resource["rest"]:
                rest["resource"] = [each for each in rest["resource"] if each["type"] != "Provenance"]
        return answer

    sandbox.misbehaviours.append(without_provenance)
    push_plan(client, ledger, plan)
    decision, check = acknowledged(ledger, plan)
    receipt = write_decision(client, ledger, plan, decision, check)
    assert receipt.says == ("rehearsal does not take Provenance: who decided stands in the ledger alone",)
    assert (ledger.waiting(plan.id), on_server(sandbox.base, "Provenance")) == ((), [])


def test_a_decision_about_a_plan_that_was_never_pushed_waits(client: Client, ledger: Ledger, plan: Plan) -> None:
    ledger.add_plan(plan)
    decision, check = acknowledged(ledger, plan)
    with pytest.raises(WrongUse, match="lives nowhere, not on rehearsal"):
        write_decision(client, ledger, plan, decision, check)
    assert [record.state for record in ledger.waiting(plan.id)] == ["ready"]
