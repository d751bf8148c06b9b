"""Runs the cases of data/peer/ against any FHIR R4 server and says where its answers differ from what a case expects.

A case is `{name, setup: [request], request, expected}`. A request has method, path, headers, and one of body (JSON),
text (sent as it stands) or form; one with `keep` stores the id of what it creates under that name. `{run}` and kept
names are replaced in every text, so that cases share a server without meeting. Expected are the status and, where
given: headers, id, found (kept names, over all pages), ordered, pages, total, entries (statuses), contains, lacks,
empty, and then (further requests with what they expect).
"""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx

CASES = Path(__file__).parent / "data" / "peer"
JSON_HEADERS = {"Content-Type": "application/fhir+json", "Accept": "application/fhir+json"}


def load(name: str) -> dict[str, Any]:
    return json.loads((CASES / f"{name}.json").read_text(encoding="utf-8"))


def names() -> list[str]:
    return sorted(path.stem for path in CASES.glob("*.json"))


@dataclass
class Peer:
    """One case on one server."""

    client: httpx.Client
    base: str
    run: str
    kept: dict[str, str] = field(default_factory=dict[str, str])

    def differences(self, case: Mapping[str, Any]) -> list[str]:
        """What differs from the expected, as short facts; empty where nothing does."""
        for request in case["setup"]:
            self._set_up(request)
        answer = self.send(case["request"])
        return list(self._compare(answer, case["expected"]))

    def send(self, request: Mapping[str, Any]) -> httpx.Response:
        filled = self._fill(request)
        path = filled["path"]
        url = f"{self.base}/{path}" if path else self.base
        return self.client.request(filled["method"], url, **_content(filled))

    def _set_up(self, request: Mapping[str, Any]) -> None:
        answer = self.send(request)
        assert answer.is_success, f"setup failed: {answer.status_code} {answer.text[:300]}"
        if "keep" in request:
            self.kept[request["keep"]] = answer.json()["id"]

    def _fill(self, value: Any) -> Any:
        """The value with `{run}` and every kept name replaced, wherever they stand in its texts."""
        text = json.dumps(value)
        for name, kept in {"run": self.run, **self.kept}.items():
            text = text.replace(f"{{{name}}}", kept)
        return json.loads(text)

    def _compare(self, answer: httpx.Response, expected: Mapping[str, Any]) -> Iterator[str]:
        if answer.status_code != expected["status"]:
            yield f"status {answer.status_code}"
            return
        for name, check in _CHECKS.items():
            if name in expected:
                yield from check(self, answer, self._fill(expected[name]))
        for step in expected.get("then", []):
            yield from (f"then {fact}" for fact in self._compare(self.send(step["request"]), step["expected"]))

    def pages(self, answer: httpx.Response) -> list[dict[str, Any]]:
        pages = [answer.json()]
        while following := [link["url"] for link in pages[-1].get("link", []) if link["relation"] == "next"]:
            pages.append(self.client.get(following[0]).json())
        return pages

    def name_of(self, key: str) -> str:
        return next((name for name, kept in self.kept.items() if kept == key), "another")


def _content(request: Mapping[str, Any]) -> dict[str, Any]:
    headers = {**JSON_HEADERS, **request.get("headers", {})}
    if "form" in request:
        headers["Content-Type"] = "application/x-www-form-urlencoded"
        return {"headers": headers, "content": request["form"]}
    if "body" in request:
        return {"headers": headers, "content": json.dumps(request["body"])}
    return {"headers": headers, "content": request["text"]} if "text" in request else {"headers": headers}


def _headers(_: Peer, answer: httpx.Response, expected: Mapping[str, str]) -> Iterator[str]:
    for name, part in expected.items():
        if part not in answer.headers.get(name, ""):
            yield f"header {name}"


def _id(peer: Peer, answer: httpx.Response, expected: str) -> Iterator[str]:
    if peer.name_of(answer.json()["id"]) != expected:
        yield "another resource"


def _found(peer: Peer, answer: httpx.Response, expected: list[str]) -> Iterator[str]:
    entries = [entry for page in peer.pages(answer) for entry in page.get("entry", [])]
    found = sorted(peer.name_of(entry["resource"]["id"]) for entry in entries)
    if found != sorted(expected):
        yield f"found {', '.join(found) or 'nothing'}"


def _ordered(_: Peer, answer: httpx.Response, _expected: object) -> Iterator[str]:
    dates = [entry["resource"]["effectiveDateTime"] for entry in answer.json()["entry"]]
    falling = "_sort=-" in str(answer.request.url)
    if dates != sorted(dates, reverse=falling):
        yield "another order"


def _pages(peer: Peer, answer: httpx.Response, expected: int) -> Iterator[str]:
    if len(peer.pages(answer)) != expected:
        yield f"{len(peer.pages(answer))} pages"


def _total(_: Peer, answer: httpx.Response, expected: int) -> Iterator[str]:
    if answer.json().get("total") != expected:
        yield f"total {answer.json().get('total')}"


def _entries(_: Peer, answer: httpx.Response, expected: list[str]) -> Iterator[str]:
    statuses = [entry["response"]["status"][:3] for entry in answer.json()["entry"]]
    if statuses != expected:
        yield f"entries {', '.join(statuses)}"


def _contains(_: Peer, answer: httpx.Response, expected: list[str]) -> Iterator[str]:
    yield from (f"lacks {part}" for part in expected if part not in answer.text)


def _lacks(_: Peer, answer: httpx.Response, expected: list[str]) -> Iterator[str]:
    resource = json.dumps({k: v for k, v in answer.json().items() if k != "meta"})
    yield from (f"contains {part}" for part in expected if part in resource)


def _empty(_: Peer, answer: httpx.Response, _expected: object) -> Iterator[str]:
    if answer.content:
        yield "a body"


_CHECKS: dict[str, Any] = {
    "headers": _headers,
    "id": _id,
    "found": _found,
    "ordered": _ordered,
    "pages": _pages,
    "total": _total,
    "entries": _entries,
    "contains": _contains,
    "lacks": _lacks,
    "empty": _empty,
}
