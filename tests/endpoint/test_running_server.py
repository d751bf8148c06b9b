"""Against a server that runs: real connections, real answers lost, real pages."""

import threading
from collections.abc import Iterator
from typing import Any
from uuid import uuid4

import pytest

from careplan_bridge.endpoint.capabilities import capabilities
from careplan_bridge.endpoint.http import Client
from careplan_bridge.endpoint.outcomes import Ambiguous, AnswerLost, Refused, Stale, Unreachable
from careplan_bridge.endpoint.read import Missing, Stored, read
from careplan_bridge.endpoint.search import search
from careplan_bridge.endpoint.send import create, transaction, update
from careplan_bridge.model.endpoint import Limits
from careplan_bridge.sandbox.exchange import Answer, Asked, Handler, HangUp
from careplan_bridge.sandbox.server import Sandbox
from tests.endpoint.scripted import Waits, client_of, endpoint

PATIENT: dict[str, Any] = {"resourceType": "Patient", "active": True, "identifier": [{"system": "urn:a", "value": "7"}]}
CONDITION = "identifier=urn%3Aa%7C7"


@pytest.fixture
def server() -> Iterator[Sandbox]:
    with Sandbox(page_size=1000) as running:
        yield running


@pytest.fixture
def client(server: Sandbox) -> Iterator[Client]:
    with client_of(endpoint(server.base, limits=Limits(page_size=7, timeout=5))) as one:
        yield one


def _hang_up(server: Sandbox, method: str, *, after: bool) -> None:
    """The server drops the first such request: before, or after, it has acted on it."""
    done = threading.Event()

    def misbehave(asked: Asked, handler: Handler) -> Answer:
        if asked.method != method or done.is_set():
            return handler(asked)
        done.set()
        if after:
            handler(asked)
        raise HangUp

    server.misbehaviours.append(misbehave)


def _transaction(*entries: tuple[dict[str, Any], dict[str, str]]) -> dict[str, Any]:
    listed = [
        {"fullUrl": f"urn:uuid:{uuid4()}", "resource": resource, "request": request} for resource, request in entries
    ]
    return {"resourceType": "Bundle", "type": "transaction", "entry": listed}


def _observe(client: Client, patient: str, count: int) -> list[str]:
    observation = {
        "resourceType": "Observation",
        "status": "final",
        "code": {"text": "x"},
        "subject": {"reference": patient},
    }
    request = {"method": "POST", "url": "Observation"}
    bundle = _transaction(*((observation | {"valueInteger": number}, request) for number in range(count)))
    return [entry.reference for entry in transaction(client, bundle).entries]


def test_create_read_update_and_each_way_of_being_too_late(client: Client) -> None:
    first = create(client, PATIENT, if_none_exist=CONDITION)
    again = create(client, PATIENT, if_none_exist=CONDITION)
    assert (first.created, again.created, again.reference) == (True, False, first.reference)
    stored = read(client, first.reference)
    assert isinstance(stored, Stored)
    changed = update(client, stored.resource | {"active": False}, version=stored.version)
    assert (changed.reference, changed.version != stored.version) == (first.reference, True)
    with pytest.raises(Stale):
        update(client, stored.resource, version=stored.version)
    with pytest.raises(Refused):
        create(client, {"resourceType": "Patient", "active": "perhaps"}, if_none_exist=None)
    assert read(client, "Patient/nobody") is Missing.NEVER_WAS


def test_two_resources_with_the_identity_of_one_are_told(client: Client) -> None:
    create(client, PATIENT, if_none_exist=None)
    create(client, PATIENT, if_none_exist=None)
    with pytest.raises(Ambiguous):
        create(client, PATIENT, if_none_exist=CONDITION)


def test_a_transaction_is_done_as_a_whole_or_not_at_all(client: Client) -> None:
    patient = create(client, PATIENT, if_none_exist=None).reference
    stored = read(client, patient)
    assert isinstance(stored, Stored)
    late = {"method": "PUT", "url": patient, "ifMatch": 'W/"99"'}
    goal = {
        "resourceType": "Goal",
        "lifecycleStatus": "planned",
        "description": {"text": "x"},
        "subject": {"reference": patient},
    }
    with pytest.raises(Stale):
        transaction(client, _transaction((goal, {"method": "POST", "url": "Goal"}), (stored.resource, late)))
    assert search(client, "Goal", [("patient", patient)]).resources == ()


def test_all_pages_of_a_running_server_are_fetched(client: Client) -> None:
    patient = create(client, PATIENT, if_none_exist=None).reference
    made = _observe(client, patient, 50)
    found = search(client, "Observation", [("patient", patient)])
    assert (found.complete, found.why, found.pages) == (True, "", 8)
    assert sorted(f"Observation/{each['id']}" for each in found.resources) == sorted(made)


@pytest.mark.parametrize(("after", "stored"), [(True, 1), (False, 0)])
def test_a_write_whose_answer_is_lost_is_done_once_or_not_at_all(
    server: Sandbox, client: Client, *, after: bool, stored: int
) -> None:
    _hang_up(server, "POST", after=after)
    with pytest.raises(AnswerLost):
        create(client, PATIENT, if_none_exist=CONDITION)
    assert len(search(client, "Patient", [("identifier", "urn:a|7")]).resources) == stored


def test_a_read_that_was_dropped_is_asked_again(server: Sandbox) -> None:
    waits = Waits()
    with client_of(endpoint(server.base), waits) as client:
        reference = create(client, PATIENT, if_none_exist=None).reference
        _hang_up(server, "GET", after=False)
        assert isinstance(read(client, reference), Stored)
    assert waits == [0.5]


def test_a_write_that_is_never_answered_in_time_is_not_sent_again(server: Sandbox) -> None:
    release, posts = threading.Event(), list[str]()

    def stall(asked: Asked, handler: Handler) -> Answer:
        answer = handler(asked)
        if asked.method == "POST":
            posts.append(asked.method)
            release.wait(20)
        return answer

    server.misbehaviours.append(stall)
    with client_of(endpoint(server.base, limits=Limits(timeout=0.3))) as client:
        with pytest.raises(AnswerLost):
            create(client, PATIENT, if_none_exist=CONDITION)
        release.set()
        assert len(search(client, "Patient", [("identifier", "urn:a|7")]).resources) == 1
    assert posts == ["POST"]


def test_where_nobody_listens_nothing_was_sent() -> None:
    with Sandbox() as gone:
        base = gone.base
    waits = Waits()
    with client_of(endpoint(base), waits) as client, pytest.raises(Unreachable, match="cannot be reached"):
        create(client, PATIENT, if_none_exist=CONDITION)
    assert waits == [0.5, 1.0, 2.0]


@pytest.mark.parametrize("query", ["_getpages=a|b&sig=%2f%2F", 'x="<y>"&z=100%', "page=2&&x=", "page=a b", "page=ü"])
def test_the_query_of_a_link_reaches_the_server_byte_for_byte(server: Sandbox, client: Client, query: str) -> None:
    queries: list[str] = []

    def page(asked: Asked, handler: Handler) -> Answer:
        if asked.path != ("Observation",):
            return handler(asked)
        queries.append(asked.query)
        link = [{"relation": "next", "url": f"{server.base}/Observation?{query}"}] if len(queries) == 1 else []
        return Answer(200, {"resourceType": "Bundle", "type": "searchset", "link": link})

    server.misbehaviours.append(page)
    found = search(client, "Observation", [])
    sendable = query.isascii() and " " not in query
    assert found.complete == (" " not in query)
    assert queries[1:] == ([query] if sendable else ["page=%C3%BC"] if found.complete else [])


def test_what_stays_on_this_machine_goes_through_no_proxy(server: Sandbox, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("HTTP_PROXY", "http_proxy", "ALL_PROXY"):
        monkeypatch.setenv(name, "http://127.0.0.1:9")
    with client_of(endpoint(server.base, limits=Limits(attempts=1))) as client:
        assert read(client, "Patient/nobody") is Missing.NEVER_WAS


def test_each_request_names_itself_and_asks_for_fhir(server: Sandbox, client: Client) -> None:
    asked: list[Asked] = []
    server.misbehaviours.append(lambda one, handler: asked.append(one) or handler(one))
    for _ in range(2):
        read(client, "Patient/nobody")
    identities = {one.header("x-request-id") for one in asked}
    assert len(identities) == 2
    assert {one.header("accept") for one in asked} == {"application/fhir+json"}
    assert {(one.header("user-agent") or "").partition("/")[0] for one in asked} == {"careplan-bridge"}


def test_what_the_sandbox_declares_is_what_the_bridge_needs(client: Client) -> None:
    can = capabilities(client)
    assert (can.known, can.fhir_version, can.transaction) == (True, "4.0.1", True)
    assert all(can.of(kind).conditional_create for kind in ("CarePlan", "Goal", "Provenance"))
    assert "patient" in can.of("Observation").search
