"""A write whose answer never comes: its fate is found out by reading, and it is not sent again merely because it is not known."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from careplan_bridge.endpoint.http import Client
from careplan_bridge.endpoint.outcomes import AnswerLost
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.model.plan import Plan
from careplan_bridge.sandbox.exchange import Answer, Asked, Handler, HangUp, Misbehaviour
from careplan_bridge.sandbox.server import Sandbox
from careplan_bridge.writeback.decision import write_decision
from careplan_bridge.writeback.push import NOTHING_TO_DO, push_plan
from careplan_bridge.writeback.resume import settle
from tests.writeback import occasions
from tests.writeback.occasions import acknowledged, on_server

KINDS = ("CarePlan", "Goal", "Provenance")
WAYS = {"together": True, "one-by-one": False}


@pytest.fixture(scope="module")
def plan() -> Plan:
    return occasions.an_acl_plan()


@pytest.fixture(params=WAYS)
def sandbox(plan: Plan, request: pytest.FixtureRequest) -> Iterator[Sandbox]:
    with Sandbox(transactions=WAYS[request.param]) as sandbox:
        occasions.put_patient(sandbox.base, plan)
        yield sandbox


@pytest.fixture
def client(sandbox: Sandbox) -> Iterator[Client]:
    with occasions.connected(occasions.endpoint(sandbox.base)) as client:
        yield client


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with occasions.open_ledger(tmp_path / "ledger.sqlite") as ledger:
        yield ledger


def once(about: Callable[[Asked], bool], what: Callable[[Asked, Handler], Answer]) -> Misbehaviour:
    """A misbehaviour for the first request of a kind."""
    met: list[bool] = []

    def misbehave(asked: Asked, handler: Handler) -> Answer:
        if met or not about(asked):
            return handler(asked)
        met.append(True)
        return what(asked, handler)

    return misbehave


Silence = Callable[[Asked, Handler], Answer]


def is_write(asked: Asked) -> bool:
    return asked.method == "PUT" or (asked.method == "POST" and "_search" not in asked.path)


def is_about_the_care_plan(asked: Asked) -> bool:
    return is_write(asked) and b'"resourceType":"CarePlan"' in asked.body.replace(b'": "', b'":"')


def done_and_silent(asked: Asked, handler: Handler) -> Answer:
    handler(asked)
    raise HangUp


def never_done(asked: Asked, handler: Handler) -> Answer:
    del asked, handler
    raise HangUp


def done_behind_a_broken_gateway(asked: Asked, handler: Handler) -> Answer:
    handler(asked)
    return Answer(502)


@pytest.mark.parametrize("silence", [done_and_silent, done_behind_a_broken_gateway])
@pytest.mark.parametrize("about", [is_write, is_about_the_care_plan])
def test_a_push_that_was_done_is_found_out_at_once(
    sandbox: Sandbox,
    client: Client,
    ledger: Ledger,
    plan: Plan,
    about: Callable[[Asked], bool],
    silence: Silence,
) -> None:
    sandbox.misbehaviours.append(once(about, silence))
    assert push_plan(client, ledger, plan).changed == 6
    assert (len(on_server(sandbox.base, "Goal")), len(on_server(sandbox.base, "CarePlan"))) == (5, 1)
    assert ledger.open_intents(plan.id) == ()
    assert push_plan(client, ledger, plan).says == (NOTHING_TO_DO,)


@pytest.mark.parametrize("silence", [done_and_silent, done_behind_a_broken_gateway])
def test_a_commit_point_that_was_written_is_found_out_at_once(
    sandbox: Sandbox, client: Client, ledger: Ledger, plan: Plan, silence: Silence
) -> None:
    push_plan(client, ledger, plan)
    decision, check = acknowledged(ledger, plan)
    sandbox.misbehaviours.append(once(is_about_the_care_plan, silence))
    assert write_decision(client, ledger, plan, decision, check).changed == 13
    assert versions(sandbox.base) == {"CarePlan": ["2"], "Goal": ["2"] * 5 + ["1"] * 6, "Provenance": ["1"]}
    assert ledger.open_intents(plan.id) == ()


def test_a_write_that_is_not_to_be_seen_is_not_sent_again_in_the_same_run(
    sandbox: Sandbox, client: Client, ledger: Ledger, plan: Plan
) -> None:
    """It may still be under way inside the server; the next run looks again before it sends."""
    push_plan(client, ledger, plan)
    decision, check = acknowledged(ledger, plan)
    sandbox.misbehaviours.append(once(is_about_the_care_plan, never_done))
    with pytest.raises(AnswerLost):
        write_decision(client, ledger, plan, decision, check)
    (waiting,) = ledger.waiting(plan.id)
    assert (waiting.state, ledger.course(plan.id).events) == ("writing", ())
    assert [intent.state for intent in ledger.open_intents(plan.id)] == ["unknown"]
    assert settle(client, ledger, plan.id).changed == (13 if sandbox_transacts(client) else 7)
    assert versions(sandbox.base) == {"CarePlan": ["2"], "Goal": ["2"] * 5 + ["1"] * 6, "Provenance": ["1"]}
    assert ledger.open_intents(plan.id) == ()


def test_a_server_that_goes_away_for_good_loses_no_decision(
    sandbox: Sandbox, client: Client, ledger: Ledger, plan: Plan
) -> None:
    push_plan(client, ledger, plan)
    decision, check = acknowledged(ledger, plan)

    def gone(asked: Asked, handler: Handler) -> Answer:
        if is_about_the_care_plan(asked) or silent:
            silent.append(True)
            raise HangUp
        return handler(asked)

    silent: list[bool] = []
    sandbox.misbehaviours.append(gone)
    with pytest.raises(AnswerLost):
        write_decision(client, ledger, plan, decision, check)
    assert [record.state for record in ledger.waiting(plan.id)] == ["writing"]
    sandbox.misbehaviours.clear()
    settle(client, ledger, plan.id)
    assert versions(sandbox.base)["CarePlan"] == ["2"]
    assert ledger.course(plan.id).stage == "load"


def versions(base: str) -> dict[str, list[str]]:
    return {kind: [resource["meta"]["versionId"] for resource in on_server(base, kind)] for kind in KINDS}


def sandbox_transacts(client: Client) -> bool:
    from careplan_bridge.endpoint.capabilities import capabilities  # noqa: PLC0415

    return capabilities(client).transaction
