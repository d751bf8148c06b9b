"""One create against a scripted server that fails the test on any request it was not told of: what is asked, in which order."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
import respx

from careplan_bridge.endpoint.capabilities import Capabilities, Offers
from careplan_bridge.endpoint.http import Client
from careplan_bridge.endpoint.outcomes import AnswerLost
from careplan_bridge.errors import EndpointDown, WriteConflict
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.writeback.converge import Converge
from careplan_bridge.writeback.identity import by_identifier
from careplan_bridge.writeback.writes import Create
from tests.writeback import occasions

BASE = "http://127.0.0.1:1/fhir"
GOAL: dict[str, Any] = {
    "resourceType": "Goal",
    "identifier": [{"system": "https://example.org/goal", "value": "plan/settle/flexion"}],
    "lifecycleStatus": "planned",
    "description": {"text": "Bend the knee"},
    "subject": {"reference": "Patient/p1"},
}
_OFFERS = Offers(
    frozenset({"create", "update"}), frozenset({"identifier"}), "versioned-update", conditional_create=True
)
DECLARED = Capabilities(known=True, types={"CarePlan": _OFFERS, "Goal": _OFFERS})
STORED = GOAL | {"id": "8", "meta": {"versionId": "1"}}


def found(*resources: dict[str, Any]) -> httpx.Response:
    entries = [{"resource": resource, "search": {"mode": "match"}} for resource in resources]
    return httpx.Response(
        200, json={"resourceType": "Bundle", "type": "searchset", "total": len(entries), "entry": entries}
    )


@pytest.fixture
def server() -> Iterator[respx.MockRouter]:
    with respx.mock(base_url=BASE, assert_all_called=True, assert_all_mocked=True) as router:
        yield router


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with occasions.open_ledger(tmp_path / "ledger.sqlite") as ledger:
        yield ledger


@pytest.fixture
def client() -> Iterator[Client]:
    with occasions.connected(occasions.endpoint(BASE)) as client:
        client.once("capabilities", lambda: DECLARED)
        yield client


def create(client: Client, ledger: Ledger) -> str:
    return Converge(client, ledger, subject="plan").create(Create(by_identifier(GOAL), GOAL))


LOST = [httpx.ReadTimeout("timed out"), httpx.RemoteProtocolError("cut off"), httpx.Response(500), httpx.Response(504)]


@pytest.mark.parametrize("lost", LOST, ids=repr)
def test_what_was_done_behind_a_lost_answer_is_found_and_sent_once(
    server: respx.MockRouter, client: Client, ledger: Ledger, lost: Exception | httpx.Response
) -> None:
    search = server.get("/Goal").mock(side_effect=[found(), found(STORED)])
    post = server.post("/Goal").mock(side_effect=[lost])
    assert create(client, ledger) == "Goal/8"
    assert (search.call_count, post.call_count) == (2, 1)
    (intent,) = ledger.intents("plan")
    assert (intent.state, intent.reference, intent.version, intent.tries) == ("confirmed", "Goal/8", "1", 1)


@pytest.mark.parametrize("lost", LOST, ids=repr)
def test_what_cannot_be_seen_is_looked_for_again_before_the_next_run_sends(
    server: respx.MockRouter, client: Client, ledger: Ledger, lost: Exception | httpx.Response
) -> None:
    # Until an answer has shown that this server keeps identifiers, what is lost is looked for by its content too.
    by_content = server.get("/Goal", params__contains={"patient": "Patient/p1"}).mock(return_value=found())
    search = server.get("/Goal").mock(side_effect=[found(), found(), found(STORED)])
    post = server.post("/Goal").mock(side_effect=[lost])
    with pytest.raises(AnswerLost):
        create(client, ledger)
    assert [intent.state for intent in ledger.intents("plan")] == ["unknown"]
    assert create(client, ledger) == "Goal/8"
    assert (search.call_count, post.call_count, by_content.call_count) == (3, 1, 1)


def test_a_server_that_was_never_reached_leaves_the_write_planned(
    server: respx.MockRouter, client: Client, ledger: Ledger
) -> None:
    server.get("/Goal").mock(return_value=found())
    post = server.post("/Goal").mock(side_effect=httpx.ConnectError("no"))
    with pytest.raises(EndpointDown):
        create(client, ledger)
    assert post.call_count == client.endpoint.limits.attempts
    assert [intent.state for intent in ledger.intents("plan")] == ["planned"]


def test_several_matches_are_named_and_nothing_is_sent(
    server: respx.MockRouter, client: Client, ledger: Ledger
) -> None:
    server.get("/Goal").mock(return_value=found(STORED, STORED | {"id": "9"}))
    with pytest.raises(WriteConflict, match="Goal/8 and Goal/9 all carry"):
        create(client, ledger)
    assert ledger.intents("plan") == ()


def test_several_matches_that_only_the_write_meets_are_named(
    server: respx.MockRouter, client: Client, ledger: Ledger
) -> None:
    server.get("/Goal").mock(side_effect=[found(), found(STORED, STORED | {"id": "9"})])
    server.post("/Goal").mock(return_value=httpx.Response(412))
    with pytest.raises(WriteConflict, match="Goal/8 and Goal/9 all carry"):
        create(client, ledger)
    assert [intent.state for intent in ledger.intents("plan")] == ["conflict"]


def test_a_conditional_create_that_met_the_resource_leaves_it_alone(
    server: respx.MockRouter, client: Client, ledger: Ledger
) -> None:
    server.get("/Goal").mock(return_value=found())
    server.post("/Goal").mock(return_value=httpx.Response(200, json=STORED, headers={"ETag": 'W/"1"'}))
    work = Converge(client, ledger, subject="plan")
    work.create(Create(by_identifier(GOAL), GOAL))
    assert [item.action for item in work.told.receipt().items] == ["left-alone"]
