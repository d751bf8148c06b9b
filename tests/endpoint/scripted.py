"""A client whose server is a script: what the script does not foresee fails the test, and nobody sleeps."""

from collections.abc import Callable, Generator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any, cast

import httpx
import respx
from msgspec import structs

from careplan_bridge.endpoint.http import Client
from careplan_bridge.model.endpoint import Endpoint

BASE = "https://fhir.example.org/r4"
MOMENT = datetime(2026, 3, 4, 11, 30, tzinfo=UTC)


class Waits(list[float]):
    """Remembers what it was asked to wait."""

    def __call__(self, seconds: float) -> None:
        self.append(seconds)


def endpoint(base: str = BASE, **facts: Any) -> Endpoint:
    return structs.replace(Endpoint(name="scripted", base=base, environment="sandbox"), **facts)


def client_of(
    which: Endpoint,
    waits: Waits | None = None,
    *,
    clock: Callable[[], datetime] = lambda: MOMENT,
    environ: Mapping[str, str] | None = None,
    secret: Callable[[str], bytes] | None = None,
) -> Client:
    """A client with a clock that stands, and a jitter that takes the longest."""
    wait = Waits() if waits is None else waits
    return Client(which, environ=environ or {}, wait=wait, clock=clock, secret=secret, jitter=lambda: 1.0)


@contextmanager
def script() -> Generator[respx.MockRouter]:
    """Every request must be scripted, and every scripted answer must be asked for."""
    with respx.mock(assert_all_called=True, assert_all_mocked=True) as router:
        yield router


def json(content: Any, status: int = 200, **headers: str) -> httpx.Response:
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return httpx.Response(status, json=content, headers=named)


def sent(route: respx.Route) -> list[httpx.Request]:
    """The requests that a scripted answer was given to."""
    return [call.request for call in cast("list[Any]", route.calls)]


def outcome(code: str = "processing", more: dict[str, Any] | None = None, severity: str = "error") -> dict[str, Any]:
    return {"resourceType": "OperationOutcome", "issue": [{"severity": severity, "code": code} | (more or {})]}


def bundle(entries: Sequence[dict[str, Any]], *, following: str = "", itself: str = "", **more: Any) -> dict[str, Any]:
    links = [{"relation": name, "url": url} for name, url in (("self", itself), ("next", following)) if url]
    return {"resourceType": "Bundle", "type": "searchset", "link": links, "entry": list(entries), **more}


def match(resource: dict[str, Any], mode: str = "match") -> dict[str, Any]:
    return {"resource": resource, "search": {"mode": mode}}


def observation(number: int | str, patient: str = "1", version: int = 1) -> dict[str, Any]:
    return {
        "resourceType": "Observation",
        "id": f"o{number}",
        "meta": {"versionId": str(version)},
        "status": "final",
        "subject": {"reference": f"Patient/{patient}"},
    }
