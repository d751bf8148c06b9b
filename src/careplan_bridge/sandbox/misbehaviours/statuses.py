"""Statuses that come in a good answer's place."""

from datetime import timedelta
from email.utils import format_datetime

from careplan_bridge.sandbox.clock import wall_clock
from careplan_bridge.sandbox.exchange import Answer, Asked, Handler, Misbehaviour
from careplan_bridge.sandbox.misbehaviours.answers import HTML, done_but, instead, text_instead
from careplan_bridge.sandbox.misbehaviours.kind import Kind, after, always, first
from careplan_bridge.sandbox.misbehaviours.requests import (
    anything,
    is_create,
    is_first_page,
    is_search,
    is_transaction,
    is_update,
    is_write,
    searches,
)
from careplan_bridge.sandbox.outcome import Issue, operation_outcome


def _throttled(after_: str) -> Answer:
    return Answer(429, operation_outcome([Issue("throttled", "too many requests")]), {"Retry-After": after_})


def _until_a_date(_asked: Asked, _handler: Handler) -> Answer:
    return _throttled(format_datetime(wall_clock() + timedelta(seconds=3), usegmt=True))


def _retry_after(value: str, status: int = 429) -> Misbehaviour:
    return instead(status, "throttled", {"Retry-After": value})


KINDS = (
    Kind("429-seconds", "A throttled server that names its wait in seconds, once.", first(anything, _retry_after("2"))),
    Kind("429-date", "A throttled server that names its wait as an HTTP date, once.", first(anything, _until_a_date)),
    Kind("429-hours", "A server that wants five hours of silence.", always(anything, _retry_after("18000"))),
    Kind("429-unreadable", "A Retry-After that is neither number nor date.", first(anything, _retry_after("soon"), 2)),
    Kind("429-negative", "A Retry-After below zero.", first(anything, _retry_after("-5"))),
    Kind("429-writes", "A server that throttles writes before it looks at them.", first(is_write, _retry_after("1"))),
    Kind("429-always", "A quota that is used up for today.", always(anything, instead(429, "throttled"))),
    Kind("503-seconds", "A server in maintenance that says for how long.", first(is_search, _retry_after("4", 503))),
    Kind("503-write-not-done", "A write that a full queue turned away.", first(is_write, instead(503, "transient"))),
    Kind(
        "503-write-done",
        "A write that was done behind a balancer that had given up.",
        first(is_write, done_but(503, "transient")),
    ),
    Kind("502-read", "A gateway that lost its server for a moment.", first(is_search, instead(502), 2)),
    Kind("502-write-done", "A gateway that broke while the write was done.", first(is_write, done_but(502))),
    Kind("504-write-done", "A gateway that did not wait for the write.", first(is_write, done_but(504))),
    Kind("504-write-not-done", "A gateway whose server never heard of the write.", first(is_write, instead(504))),
    Kind(
        "500-html-once",
        "A crash page of the web server, once.",
        first(is_search, text_instead(500, HTML, "text/html; charset=utf-8")),
    ),
    Kind(
        "500-search-always",
        "A search that crashes the server each time.",
        always(searches("Observation"), instead(500)),
    ),
    Kind("500-write-done", "A crash after the commit.", first(is_write, done_but(500))),
    Kind("500-write-always", "A write that crashes the server each time.", always(is_write, instead(500))),
    Kind("401-in-mid-run", "A login that ends in the middle of a run.", after(2, anything, instead(401, "login"))),
    Kind("403-write", "A login without the right to write.", always(is_write, instead(403, "forbidden"))),
    Kind(
        "403-without-category",
        "A server that lets Observations be searched by category only.",
        always(
            lambda asked: searches("Observation")(asked) and "category" not in asked.query, instead(403, "forbidden")
        ),
    ),
    Kind(
        "404-search",
        "A type that the server does not know.",
        always(searches("Observation"), instead(404, "not-found")),
    ),
    Kind("409-create", "Two writers create at the same moment.", first(is_create, instead(409, "conflict"))),
    Kind(
        "409-update-once",
        "Two writers update at the same moment; the other one failed.",
        first(is_update, instead(409)),
    ),
    Kind(
        "409-transaction-once",
        "Two transactions meet; this one is to be sent again.",
        first(is_transaction, instead(409)),
    ),
    Kind("412-update-always", "An update that is refused whatever version it names.", always(is_update, instead(412))),
    Kind(
        "422-write",
        "A rule of the site that our resource does not keep.",
        always(is_write, instead(422, "business-rule")),
    ),
    Kind("400-write", "A server that cannot read what we send.", always(is_write, instead(400, "structure"))),
    Kind(
        "405-update", "A server that has no update though it says so.", always(is_update, instead(405, "not-supported"))
    ),
    Kind(
        "413-transaction",
        "A transaction that is too large for the server.",
        always(is_transaction, instead(413, "too-long")),
    ),
    Kind("415-write", "A server that takes XML only.", always(is_write, instead(415, "not-supported"))),
    Kind("501-transaction", "Transactions that are declared and not there.", always(is_transaction, instead(501))),
    Kind("408-write", "A server that gave up waiting for the rest of the request.", first(is_write, instead(408))),
    Kind("202-write", "A write that is taken on for later, and then not done.", first(is_write, instead(202))),
    Kind("202-write-done", "A write that is taken on for later and done at once.", first(is_write, done_but(202))),
    Kind("418-read", "A status that has no meaning here.", always(is_first_page, instead(418))),
    Kind("304-read", "A proxy that answers Not Modified to a plain read.", always(is_first_page, instead(304))),
)
