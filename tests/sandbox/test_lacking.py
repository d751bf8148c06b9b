"""A sandbox without this or that: it declares no more than it can do, and does no more than it declares."""

import json
from collections.abc import Mapping
from typing import Any

import pytest

from careplan_bridge.sandbox.app import Settings, service_of
from careplan_bridge.sandbox.exchange import Answer, Asked, Handler
from careplan_bridge.sandbox.jsontext import render
from careplan_bridge.sandbox.lacking import is_a_lack
from careplan_bridge.sandbox.store import Store

GOAL = {
    "resourceType": "Goal",
    "identifier": [{"system": "https://example.org/g", "value": "1"}],
    "lifecycleStatus": "planned",
    "description": {"text": "Full extension"},
    "subject": {"reference": "Patient/p"},
}


def server(*lacks: str) -> Handler:
    handler = service_of(Store(None), Settings(lacks=lacks))
    if "client-id" not in lacks:
        ask(handler, "PUT", "Patient/p", {"resourceType": "Patient", "id": "p"})
    return handler


def ask(handler: Handler, method: str, path: str, body: Mapping[str, Any] | None = None, **headers: str) -> Answer:
    place, _, query = path.partition("?")
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    segments = tuple(filter(None, place.split("/")))
    content = b"" if body is None else json.dumps(body).encode()
    return handler(Asked(method, segments, query, {"content-type": "application/fhir+json", **named}, content))


def declared(handler: Handler, kind: str) -> dict[str, Any]:
    statement = ask(handler, "GET", "metadata").resource or {}
    return next(each for each in statement["rest"][0]["resource"] if each["type"] == kind)


def test_an_interaction_that_is_lacking_is_neither_declared_nor_served() -> None:
    handler = server("Goal.update")
    made = ask(handler, "POST", "Goal", GOAL).resource or {}
    assert ask(handler, "PUT", f"Goal/{made['id']}", made).status == 405
    assert {"code": "update"} not in declared(handler, "Goal")["interaction"]
    assert {"code": "update"} in declared(handler, "CarePlan")["interaction"]


def test_without_conditional_create_the_condition_is_not_heard() -> None:
    handler = server("conditional-create")
    statuses = [ask(handler, "POST", "Goal", GOAL, if_none_exist="identifier=1").status for _ in range(2)]
    assert statuses == [201, 201]
    assert declared(handler, "Goal")["conditionalCreate"] is False


def test_without_client_ids_only_what_is_there_can_be_replaced() -> None:
    assert ask(server("client-id"), "PUT", "Patient/mine", {"resourceType": "Patient", "id": "mine"}).status == 405


def test_without_identifiers_they_are_dropped_and_not_searched() -> None:
    handler = server("identifier")
    assert "identifier" not in (ask(handler, "POST", "Goal", GOAL).resource or {})
    assert ask(handler, "GET", "Goal?identifier=1").status == 400


def test_without_versions_nothing_tells_one_and_a_stale_guard_is_not_heard() -> None:
    handler = server("version")
    made = ask(handler, "POST", "Goal", GOAL)
    resource = made.resource or {}
    assert "versionId" not in resource["meta"]
    assert "ETag" not in made.headers
    assert "_history" not in made.headers["Location"]
    assert ask(handler, "PUT", f"Goal/{resource['id']}", resource, if_match='W/"7"').status == 200


def test_without_transactions_a_bundle_is_refused() -> None:
    bundle: dict[str, Any] = {"resourceType": "Bundle", "type": "transaction", "entry": []}
    handler = server("transaction")
    assert ask(handler, "POST", "", bundle).status == 501
    assert b'"transaction"' not in render(ask(handler, "GET", "metadata").resource)


@pytest.mark.parametrize(
    ("word", "known"), [("Goal.update", True), ("version", True), ("Goal.fly", False), ("x", False)]
)
def test_a_lack_is_one_of_the_words_or_an_interaction_of_a_known_type(word: str, known: bool) -> None:  # noqa: FBT001
    assert is_a_lack(word) is known
