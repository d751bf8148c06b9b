"""Transactions that are not all or nothing, or whose answer does not say what was done."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from careplan_bridge.sandbox.exchange import Answer, Asked, Handler, Misbehaviour
from careplan_bridge.sandbox.jsontext import parse, render
from careplan_bridge.sandbox.misbehaviours.answers import done_but, instead, with_resource
from careplan_bridge.sandbox.misbehaviours.kind import Kind, always, first
from careplan_bridge.sandbox.misbehaviours.requests import is_transaction


def _entries(change: Callable[[list[Any]], list[Any]]) -> Misbehaviour:
    return with_resource(lambda bundle: {**bundle, "entry": change(bundle.get("entry", []))})


def _half(asked: Asked, handler: Handler) -> Answer:
    """The first half of the entries is stored, then the server fails and rolls nothing back."""
    bundle: Any = parse(asked.body)
    entries = bundle["entry"]
    half = render({**bundle, "entry": entries[: len(entries) // 2]})
    handler(replace(asked, body=half))
    return instead(500)(asked, handler)


def _without(name: str) -> Callable[[list[Any]], list[Any]]:
    def change(entries: list[Any]) -> list[Any]:
        return [{**e, "response": {n: v for n, v in e["response"].items() if n != name}} for e in entries]

    return change


def _bare(entries: list[Any]) -> list[Any]:
    return [{"response": entry["response"]} for entry in entries]


def _failed_first(entries: list[Any]) -> list[Any]:
    refused = {"response": {"status": "422 Unprocessable Entity"}}
    return [refused, *entries[1:]]


def _absolute(asked: Asked, handler: Handler) -> Answer:
    def located(entries: list[Any]) -> list[Any]:
        return [
            {**e, "response": {**e["response"], "location": f"{asked.base}/{e['response']['location']}"}}
            for e in entries
        ]

    return _entries(located)(asked, handler)


KINDS = (
    Kind(
        "transaction-in-part",
        "A transaction that fails in its middle and is not rolled back.",
        first(is_transaction, _half),
    ),
    Kind(
        "transaction-as-batch",
        "A transaction that is taken as a batch.",
        always(is_transaction, with_resource(lambda bundle: {**bundle, "type": "batch-response"})),
    ),
    Kind(
        "transaction-entry-refused",
        "A 200 in which one entry was refused.",
        always(is_transaction, _entries(_failed_first)),
    ),
    Kind(
        "transaction-reordered",
        "Answers in another order than the entries.",
        always(is_transaction, _entries(lambda entries: entries[::-1])),
    ),
    Kind(
        "transaction-answers-missing",
        "Fewer answers than entries.",
        always(is_transaction, _entries(lambda entries: entries[:-1])),
    ),
    Kind(
        "transaction-without-locations",
        "Answers that do not say where.",
        always(is_transaction, _entries(lambda entries: _without("location")(_bare(entries)))),
    ),
    Kind(
        "transaction-without-etags",
        "Answers that do not say which version.",
        always(is_transaction, _entries(lambda entries: _without("etag")(_bare(entries)))),
    ),
    Kind("transaction-absolute-locations", "Answers with absolute locations.", always(is_transaction, _absolute)),
    Kind("transaction-done-500", "A transaction that is done and answered 500.", first(is_transaction, done_but(500))),
)
