"""A server that stores one create twice: it is seen at once, both are named, nothing more is written, and one is enough afterwards."""

from collections.abc import Iterator

import pytest

from careplan_bridge.endpoint.http import Client
from careplan_bridge.errors import WriteConflict
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.model.plan import Plan
from careplan_bridge.sandbox.exchange import Answer, Asked, Handler
from careplan_bridge.sandbox.misbehaviours.answers import asked_without
from careplan_bridge.writeback.decision import write_decision
from careplan_bridge.writeback.push import push_plan
from tests.faults.in_process import Server, connected
from tests.writeback import occasions

WAYS = {"conditional": ("transaction",), "search": ("transaction", "conditional-create", "client-id")}


class Twice:
    """Every create of one kind is stored twice; of none to begin with."""

    def __init__(self, inner: Handler) -> None:
        self.inner, self.kind = inner, ""

    def __call__(self, asked: Asked) -> Answer:
        if asked.method == "POST" and asked.path == (self.kind,):
            asked_without("if-none-exist")(asked, self.inner)
            return asked_without("if-none-exist")(asked, self.inner)
        return self.inner(asked)


@pytest.fixture(params=WAYS)
def server(request: pytest.FixtureRequest, plan: Plan) -> Server:
    server = Server(WAYS[request.param], plan.patient)
    server.handler = Twice(server.handler)
    return server


@pytest.fixture
def client(server: Server) -> Iterator[Client]:
    with connected(server) as client:
        yield client


def doubling(server: Server, kind: str) -> None:
    assert isinstance(server.handler, Twice)
    server.handler.kind = kind


def removed(server: Server, reference: str) -> None:
    server.handler(Asked("DELETE", tuple(reference.split("/"))))


@pytest.mark.parametrize("kind", ["Goal", "CarePlan"])
def test_both_are_named_and_a_person_takes_one_away(
    kind: str, server: Server, client: Client, ledger: Ledger, plan: Plan
) -> None:
    doubling(server, kind)
    for _ in range(2):
        with pytest.raises(WriteConflict, match=rf"{kind}/\d+ and {kind}/\d+ all carry the identifier"):
            push_plan(client, ledger, plan)
        assert len(server.held(kind)) == 2
    doubling(server, "")
    first, second = (f"{kind}/{one['id']}" for one in server.held(kind))
    (open_one,) = ledger.open_intents(plan.id)
    assert open_one.state == "conflict"
    removed(server, second)
    push_plan(client, ledger, plan)
    assert (ledger.open_intents(plan.id), len(server.held("Goal")), len(server.held("CarePlan"))) == ((), 5, 1)
    binding = ledger.binding(plan.id)
    assert binding is not None
    assert first in (binding.care_plan, *binding.goals.values())


def test_a_trail_that_was_laid_twice_is_no_silent_success(
    server: Server, client: Client, ledger: Ledger, plan: Plan
) -> None:
    push_plan(client, ledger, plan)
    decision, check = occasions.acknowledged(ledger, plan)
    doubling(server, "Provenance")
    for _ in range(2):
        with pytest.raises(WriteConflict, match=r"Provenance/\d+ and Provenance/\d+"):
            write_decision(client, ledger, plan, decision, check)
        assert len(server.held("Provenance")) == 2
    assert [record.state for record in ledger.waiting(plan.id)] == ["writing"]
    removed(server, f"Provenance/{server.held('Provenance')[1]['id']}")
    write_decision(client, ledger, plan, decision, check)
    assert ledger.waiting(plan.id) == ()


def test_one_look_a_create_and_no_more(server: Server, client: Client, ledger: Ledger, plan: Plan) -> None:
    asked: list[tuple[str, ...]] = []
    inner = server.handler

    def counted(question: Asked) -> Answer:
        if question.method == "GET" and "identifier=" in question.query and question.path == ("Goal",):
            asked.append(question.path)
        return inner(question)

    server.handler = counted
    push_plan(client, ledger, plan)
    assert len(asked) == 3 * 5  # could all be sent as one; is it there; and, once made, is it there once
