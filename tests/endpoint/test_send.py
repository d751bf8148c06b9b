"""What becomes of a write: each answer, and each way of not getting one."""

from typing import Any

import httpx
import pytest

from careplan_bridge.endpoint.outcomes import Ambiguous, AnswerLost, Refused, Stale
from careplan_bridge.endpoint.send import Answer, create, transaction, update
from careplan_bridge.errors import BridgeError, WrongUse
from careplan_bridge.fhir import raw
from tests.endpoint.scripted import BASE, client_of, endpoint, json, outcome, script

GOAL: dict[str, Any] = {"resourceType": "Goal", "lifecycleStatus": "planned"}
STORED: dict[str, Any] = GOAL | {"id": "g", "meta": {"versionId": "4"}}
IDENTIFIER = "identifier=urn%3Aa%7C7"


def _created(reply: httpx.Response, if_none_exist: str | None = IDENTIFIER) -> Answer:
    with script() as router, client_of(endpoint()) as client:
        router.post(f"{BASE}/Goal").mock(return_value=reply)
        return create(client, GOAL, if_none_exist=if_none_exist)


def _updated(reply: httpx.Response) -> Answer:
    with script() as router, client_of(endpoint()) as client:
        router.put(f"{BASE}/Goal/g").mock(return_value=reply)
        return update(client, STORED, version="4")


def test_a_create_is_conditional_and_says_what_it_is() -> None:
    with script() as router, client_of(endpoint()) as client:
        route = router.post(f"{BASE}/Goal").mock(return_value=json(STORED, 201))
        create(client, GOAL, if_none_exist=IDENTIFIER)
    sent = route.calls.last.request
    assert sent.headers["If-None-Exist"] == IDENTIFIER
    assert sent.headers["Content-Type"] == sent.headers["Accept"] == "application/fhir+json"
    assert sent.headers["Prefer"] == "return=representation"
    assert sent.content == raw.encode(GOAL)


@pytest.mark.parametrize(
    "reply",
    [
        json(STORED, 201),
        json(STORED | {"meta": {"versionId": "1"}}, 201, ETag='W/"4"'),
        json(STORED | {"meta": {"versionId": "1"}}, 201, ETag='"4"'),
        httpx.Response(201, headers={"Location": f"{BASE}/Goal/g/_history/4"}),
        httpx.Response(201, headers={"Location": "Goal/g", "ETag": 'W/"4"'}),
        json(outcome("informational", severity="information"), 201, Location="http://inside:8080/Goal/g/_history/4"),
        httpx.Response(201, text="<html>", headers={"Location": "/r4/Goal/g/_history/4"}),
    ],
)
def test_where_it_went_is_read_from_whatever_says_it(reply: httpx.Response) -> None:
    answer = _created(reply)
    assert (answer.created, answer.reference, answer.version) == (True, "Goal/g", "4")


def test_a_conditional_create_that_found_it_created_nothing() -> None:
    answer = _created(json(STORED, 200, ETag='W/"4"'))
    assert (answer.created, answer.reference, answer.version) == (False, "Goal/g", "4")


@pytest.mark.parametrize(
    "reply", [httpx.Response(201), httpx.Response(200, text="done"), json(GOAL, 201), json(outcome(), 201)]
)
def test_done_without_saying_where_is_not_known_to_be_done(reply: httpx.Response) -> None:
    with pytest.raises(AnswerLost):
        _created(reply)


def test_several_matches_are_not_a_stale_version() -> None:
    with pytest.raises(Ambiguous, match="several"):
        _created(json(outcome("processing"), 412))
    with pytest.raises(Ambiguous, match="several"):
        _created(json(outcome("multiple-matches"), 409))


def test_a_race_of_two_creates_is_a_conflict() -> None:
    with pytest.raises(Stale):
        _created(json(outcome("conflict"), 409))


def test_an_update_names_the_version_it_was_made_for() -> None:
    with script() as router, client_of(endpoint()) as client:
        route = router.put(f"{BASE}/Goal/g").mock(return_value=json(STORED | {"meta": {"versionId": "5"}}))
        answer = update(client, STORED, version="4")
    assert route.calls.last.request.headers["If-Match"] == 'W/"4"'
    assert (answer.created, answer.reference, answer.version) == (False, "Goal/g", "5")


@pytest.mark.parametrize("status", [409, 412])
def test_a_stale_version_is_one_whichever_status_a_server_uses(status: int) -> None:
    with pytest.raises(Stale) as caught:
        _updated(json(outcome("conflict", {"diagnostics": "trying to update Goal/g/_history/4"}), status))
    assert caught.value.issues[0].text == "trying to update Goal/g/_history/4"
    assert "_history" not in str(caught.value)


def test_an_update_that_answers_about_another_resource_is_not_known_to_be_done() -> None:
    with pytest.raises(AnswerLost, match="another resource"):
        _updated(json(STORED | {"id": "h"}))


def test_an_unguarded_update_needs_the_sites_word() -> None:
    with script() as router, client_of(endpoint()) as client, pytest.raises(WrongUse, match="allow_unguarded"):
        update(client, STORED, version=None)
    with script() as router, client_of(endpoint(allow_unguarded=True)) as client:
        route = router.put(f"{BASE}/Goal/g").mock(return_value=json(STORED))
        update(client, STORED, version=None)
    assert "If-Match" not in route.calls.last.request.headers


def test_an_endpoint_that_may_not_be_written_to_is_not() -> None:
    with script(), client_of(endpoint(writes=False)) as client:
        for write in (lambda: create(client, GOAL, if_none_exist=None), lambda: update(client, STORED, version="4")):
            with pytest.raises(WrongUse, match="writes = true"):
                write()


def test_a_write_is_not_redirected() -> None:
    with pytest.raises(Refused, match="redirects"):
        _updated(httpx.Response(307, headers={"Location": f"{BASE}/Goal/g2"}))


BUNDLE: dict[str, Any] = {
    "resourceType": "Bundle",
    "type": "transaction",
    "entry": [
        {"resource": GOAL, "request": {"method": "POST", "url": "Goal", "ifNoneExist": IDENTIFIER}},
        {"resource": STORED, "request": {"method": "PUT", "url": "Goal/g", "ifMatch": 'W/"4"'}},
    ],
}
CREATED = {"response": {"status": "201 Created", "location": "Goal/h/_history/1", "etag": 'W/"1"'}}
UPDATED: dict[str, Any] = {"response": {"status": "200", "etag": 'W/"5"'}}


def _sent(reply: httpx.Response, bundle: dict[str, Any] = BUNDLE) -> Answer:
    with script() as router, client_of(endpoint()) as client:
        router.post(BASE).mock(return_value=reply)
        return transaction(client, bundle)


def _response(*entries: Any, kind: str = "transaction-response") -> httpx.Response:
    return json({"resourceType": "Bundle", "type": kind, "entry": list(entries)})


def test_a_transaction_answers_each_entry_in_its_place() -> None:
    entries = _sent(_response(CREATED, UPDATED)).entries
    assert [(e.created, e.reference, e.version) for e in entries] == [(True, "Goal/h", "1"), (False, "Goal/g", "5")]


@pytest.mark.parametrize(
    "reply",
    [
        _response(CREATED),
        _response(CREATED, UPDATED, UPDATED),
        _response(CREATED, {"response": {"status": "422 Unprocessable", "outcome": outcome()}}),
        _response(CREATED, {}),
        _response({"response": {"status": "201"}}, UPDATED),
        _response(CREATED, UPDATED, kind="batch-response"),
        httpx.Response(200),
    ],
)
def test_an_answer_that_does_not_account_for_every_entry_leaves_it_open(reply: httpx.Response) -> None:
    with pytest.raises(AnswerLost, match="all 2 entries"):
        _sent(reply)


CONDITIONAL_ONLY = BUNDLE | {"entry": BUNDLE["entry"][:1]}


@pytest.mark.parametrize(
    ("reply", "bundle", "error"),
    [
        (json(outcome("conflict"), 409), BUNDLE, Stale),
        (json(outcome("processing"), 412), BUNDLE, Stale),
        (json(outcome("multiple-matches"), 412), BUNDLE, Ambiguous),
        (json(outcome("processing"), 412), CONDITIONAL_ONLY, Ambiguous),
        (json(outcome("not-found"), 404), BUNDLE, Refused),
        (json(outcome("transient"), 503), BUNDLE, AnswerLost),
    ],
)
def test_a_transaction_fails_as_a_whole(
    reply: httpx.Response, bundle: dict[str, Any], error: type[BridgeError]
) -> None:
    with pytest.raises(error):
        _sent(reply, bundle)
