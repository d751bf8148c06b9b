"""The sandbox without a socket: the client under test, its real requests, and every one that changes something written down."""

import json
from collections import Counter
from collections.abc import Generator
from contextlib import contextmanager
from typing import Any

import httpx

from careplan_bridge.endpoint.http import Client
from careplan_bridge.model.endpoint import Endpoint
from careplan_bridge.sandbox.app import Settings, service_of
from careplan_bridge.sandbox.exchange import Asked, Handler
from careplan_bridge.sandbox.store import Store
from tests.writeback import occasions

BASE = "http://127.0.0.1:1/fhir"
Sent = tuple[str, str, str]
Resource = dict[str, Any]


class Server:
    """A sandbox with these lacks. `sent` counts writes as (method, what, guard), as a forecast counts its steps.

    `boasts`: it declares everything all the same.
    """

    def __init__(self, lacks: tuple[str, ...] = (), patient: str = "Patient/p1", *, boasts: bool = False) -> None:
        self.store = Store(None)
        self._all: Handler = service_of(self.store, Settings(clock=occasions.now))
        self.handler: Handler = service_of(self.store, Settings(clock=occasions.now, lacks=lacks))
        if boasts:
            lacking = self.handler
            self.handler = lambda asked: (self._all if asked.path == ("metadata",) else lacking)(asked)
        self.sent: Counter[Sent] = Counter()
        self.put({"resourceType": "Patient", "id": patient.partition("/")[2]})

    def put(self, resource: Resource) -> None:
        """As another program would, past all lacks."""
        path = (resource["resourceType"], resource["id"])
        answer = self._all(
            Asked("PUT", path, headers={"content-type": "application/fhir+json"}, body=json.dumps(resource).encode())
        )
        assert answer.status < 300, answer

    def held(self, kind: str) -> list[Resource]:
        bundle = self._all(Asked("GET", (kind,), "_count=500")).resource or {}
        found: list[Resource] = json.loads(
            json.dumps([each["resource"] for each in bundle.get("entry", [])], default=bytes.decode)
        )
        return sorted(found, key=lambda each: each["id"])

    def respond(self, request: httpx.Request) -> httpx.Response:
        path = tuple(part for part in request.url.path.split("/")[2:] if part)
        headers = {name.lower(): value for name, value in request.headers.items()}
        asked = Asked(request.method, path, request.url.query.decode(), headers, request.content, BASE)
        if request.method in ("PUT", "POST") and path[-1:] != ("_search",):
            self.sent[request.method, path[0] if path else "transaction", _guard(path, headers)] += 1
        answer = self.handler(asked)
        return httpx.Response(
            answer.status, headers={**answer.headers, "content-type": "application/fhir+json"}, content=answer.body
        )


def _guard(path: tuple[str, ...], headers: dict[str, str]) -> str:
    named = {"if-none-exist": "if-none-exist", "if-match": "if-match", "if-none-match": "client-id"}
    unguarded = "none" if len(path) == 2 else "searched" if path else "all-or-nothing"
    return next((guard for header, guard in named.items() if header in headers), unguarded)


@contextmanager
def connected(server: Server, **changed: Any) -> Generator[Client]:
    to: Endpoint = occasions.endpoint(BASE, **changed)
    with Client(to, environ={}, wait=lambda _seconds: None, clock=occasions.now) as client:
        client._http.close()  # pyright: ignore[reportPrivateUsage]
        client._http = httpx.Client(transport=httpx.MockTransport(server.respond))  # pyright: ignore[reportPrivateUsage]
        yield client
