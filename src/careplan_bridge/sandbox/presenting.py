"""What the client sees: resources with their headers, search pages, histories and write answers."""

import secrets
from collections import OrderedDict
from dataclasses import dataclass, field
from threading import Lock

from careplan_bridge.sandbox import moments
from careplan_bridge.sandbox.exchange import Answer, Asked
from careplan_bridge.sandbox.jsontext import Resource, is_object, parse
from careplan_bridge.sandbox.outcome import information, refuse
from careplan_bridge.sandbox.references import Link
from careplan_bridge.sandbox.repository import Stored
from careplan_bridge.sandbox.searching import Query
from careplan_bridge.sandbox.store import Store, Version

MOST_KEPT_SEARCHES = 500


def resource_of(version: Version) -> Resource:
    resource = parse(version.body or b"{}")
    assert is_object(resource)  # noqa: S101 - only objects are stored
    return resource


def etag(version: Version) -> str:
    return f'W/"{version.number}"'


def location(version: Version) -> str:
    return f"{version.type}/{version.id}/_history/{version.number}"


def headers(version: Version, base: str) -> dict[str, str]:
    return {
        "ETag": etag(version),
        "Last-Modified": moments.http_date(version.at),
        "Content-Location": f"{base}/{location(version)}",
    }


def one(version: Version, asked: Asked) -> Answer:
    """A read: 304 where the client has this version already."""
    if asked.header("if-none-match") == etag(version):
        return Answer(304, None, {"ETag": etag(version)})
    return Answer(200, resource_of(version), headers(version, asked.base))


def written(stored: Stored, asked: Asked) -> Answer:
    """A write, with the body that the client prefers: representation, minimal or OperationOutcome."""
    version = stored.version
    found = {**headers(version, asked.base), "Location": f"{asked.base}/{location(version)}"}
    return Answer(stored.status, preferred_body(version, asked.prefers("return")), found)


def preferred_body(version: Version, preference: str) -> Resource | None:
    if preference == "minimal":
        return None
    if preference == "OperationOutcome":
        return information(f"{location(version)} is stored")
    return resource_of(version)


def history(versions: list[Version], asked: Asked) -> Answer:
    bundle: Resource = {
        "resourceType": "Bundle",
        "type": "history",
        "total": len(versions),
        "link": [{"relation": "self", "url": f"{asked.base}/{'/'.join(asked.path)}"}],
    }
    return Answer(200, bundle | {"entry": [_history_entry(version, asked.base) for version in versions]})


def _history_entry(version: Version, base: str) -> Resource:
    name = f"{version.type}/{version.id}"
    url = version.type if version.verb == "POST" else name
    entry: Resource = {"fullUrl": f"{base}/{name}"}
    if version.body is not None:
        entry["resource"] = resource_of(version)
    entry["request"] = {"method": version.verb, "url": url}
    entry["response"] = {
        "status": "201 Created" if version.number == 1 else "200 OK",
        "etag": etag(version),
        "lastModified": moments.instant(version.at),
    }
    return entry


@dataclass(frozen=True, slots=True)
class Search:
    """The hits of one search, fixed when it was made: id and version, so that its pages never shift."""

    resource_type: str
    hits: tuple[tuple[str, int], ...]
    query: Query
    size: int


@dataclass(slots=True)
class Searches:
    """Searches that have further pages, by an opaque token; the oldest are forgotten."""

    page_size: int = 50
    largest_page: int = 1000
    _kept: OrderedDict[str, Search] = field(default_factory=OrderedDict[str, Search])
    _lock: Lock = field(default_factory=Lock)

    def first_page(
        self, store: Store, found: list[tuple[str, int]], resource_type: str, query: Query, asked: Asked
    ) -> Answer:
        size = min(query.count or self.page_size, self.largest_page)
        search = Search(resource_type, tuple(found), query, size)
        url = f"{asked.base}/{resource_type}" + (f"?{query.text}" if query.text else "")
        if query.summary_count:
            return Answer(200, _searchset(search, url))
        token = self._keep(search) if len(found) > size else ""
        return _page(store, search, 0, token, url, asked.base)

    def further_page(self, store: Store, key: str, asked: Asked) -> Answer:
        """Raises Refused, 410, where the token is unknown or forgotten."""
        token, _, offset = key.rpartition("-")
        with self._lock:
            search = self._kept.get(token)
        if search is None or not offset.isdecimal():
            raise refuse(410, "not-found", "this page is not, or no longer, kept: search again")
        return _page(store, search, int(offset), token, f"{asked.base}?_page={key}", asked.base)

    def _keep(self, search: Search) -> str:
        token = secrets.token_hex(12)
        with self._lock:
            self._kept[token] = search
            while len(self._kept) > MOST_KEPT_SEARCHES:
                self._kept.popitem(last=False)
        return token


def _page(store: Store, search: Search, offset: int, token: str, url: str, base: str) -> Answer:
    bundle = _searchset(search, url)
    end = offset + search.size
    if end < len(search.hits):
        bundle["link"].append({"relation": "next", "url": f"{base}?_page={token}-{end}"})
    hits = search.hits[offset:end]
    if hits:
        bundle["entry"] = [_hit(store, Link(search.resource_type, key), number, base) for key, number in hits]
    return Answer(200, bundle)


def _searchset(search: Search, url: str) -> Resource:
    bundle: Resource = {"resourceType": "Bundle", "type": "searchset"}
    if search.query.total != "none" or search.query.summary_count:
        bundle["total"] = len(search.hits)
    bundle["link"] = [{"relation": "self", "url": url}]
    return bundle


def _hit(store: Store, link: Link, number: int, base: str) -> Resource:
    version = store.version(link, number)
    assert version is not None  # noqa: S101 - versions are never removed
    return {"fullUrl": f"{base}/{link}", "resource": resource_of(version), "search": {"mode": "match"}}
