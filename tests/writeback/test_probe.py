"""A probe finds out what a server does, whatever it declares, and leaves nothing behind."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from careplan_bridge.errors import WrongUse
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.sandbox.exchange import Answer, Asked, Handler
from careplan_bridge.writeback.probe import probe
from careplan_bridge.writeback.routes import known, route
from tests.faults.in_process import BASE, Server, connected
from tests.writeback import occasions

PATIENT = "Patient/nobody"
KINDS = ("CarePlan", "Goal", "DocumentReference", "Observation", "Communication")


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with occasions.open_ledger(tmp_path / "ledger.sqlite") as ledger:
        yield ledger


def proven(server: Server, ledger: Ledger) -> dict[str, bool]:
    with connected(server, test_patient=PATIENT) as client:
        probe(client, ledger)
    return ledger.facts(BASE, "proven")


def held(server: Server) -> list[str]:
    """What is still there and not marked as made in error."""
    every = [resource for kind in KINDS for resource in server.held(kind)]
    return [
        one["resourceType"]
        for one in every
        if "entered-in-error" not in (one.get("status"), one.get("lifecycleStatus"))
    ]


def test_everything_works_and_nothing_is_left(ledger: Ledger) -> None:
    server = Server(patient=PATIENT)
    found = proven(server, ledger)
    assert len(found) == 12
    assert all(found.values())
    assert held(server) == []


LACKS = (
    "transaction",
    "conditional-create",
    "client-id",
    "identifier",
    "version",
    "Goal.update",
    "Communication.create",
)


@pytest.mark.parametrize("lack", LACKS)
def test_each_lack_is_found_though_the_server_declares_it(lack: str, ledger: Ledger) -> None:
    server = boasting(Server((lack,), PATIENT))
    found = proven(server, ledger)
    assert found[lack] is False
    assert held(server) == []


def test_where_nothing_can_be_deleted_it_is_marked_as_made_in_error(ledger: Ledger) -> None:
    server = Server(tuple(f"{kind}.delete" for kind in KINDS), PATIENT)
    proven(server, ledger)
    assert held(server) == []
    assert len(server.held("CarePlan")) == 2


def test_what_was_proven_decides_the_way(ledger: Ledger) -> None:
    server = boasting(Server(("version", "Goal.update"), PATIENT))
    with connected(server, test_patient=PATIENT) as client:
        assert route(client, ledger).together
        probe(client, ledger)
        way = route(client, ledger)
        fact = known(client, ledger).facts["version"]
    assert (way.together, way.guard, way.goal_states) == (False, "refused", "note")
    assert (fact.declared, fact.proven, fact.observed, fact.holds) == (True, False, None, False)


def test_leftovers_of_a_probe_that_was_cut_off_are_taken_away(ledger: Ledger) -> None:
    server = Server(patient=PATIENT)
    whole = server.handler
    server.handler = until(8, whole)
    with pytest.raises(Exception, match="cut off"):
        proven(server, ledger)
    assert held(server) != []
    server.handler = whole
    proven(server, ledger)
    assert held(server) == []


def test_a_probe_needs_a_patient_of_nobody(ledger: Ledger) -> None:
    with connected(Server()) as client, pytest.raises(WrongUse, match="test_patient"):
        probe(client, ledger)
    with connected(Server(), test_patient=PATIENT) as client, pytest.raises(WrongUse, match="not on the server"):
        probe(client, ledger)


def boasting(server: Server) -> Server:
    """Declares what a sandbox without lacks declares."""
    everything, own = Server().handler, server.handler
    server.handler = lambda asked: everything(asked) if asked.path == ("metadata",) else own(asked)
    return server


def until(count: int, handler: Handler) -> Handler:
    """A connection that is gone for good after so many requests."""
    left = [count]

    def answer(asked: Asked) -> Answer:
        left[0] -= 1
        if left[0] < 0:
            raise RuntimeError("cut off")
        return handler(asked)

    return answer


def test_a_probe_tells_no_one_but_its_own_marks(ledger: Ledger) -> None:
    """What else is there about the test patient stays."""
    server = Server(patient=PATIENT)
    plan = {
        "resourceType": "CarePlan",
        "id": "theirs",
        "status": "draft",
        "intent": "plan",
        "subject": {"reference": PATIENT},
    }
    server.put(plan)
    proven(server, ledger)
    assert json.loads(json.dumps(server.held("CarePlan")))[0]["id"] == "theirs"
