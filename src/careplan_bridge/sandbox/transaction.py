"""Transaction and batch Bundles.

A transaction is done as a whole or not at all, in the order DELETE, POST, PUT, GET. The ids of what it creates are
settled first (a conditional create may settle on a resource that is there already), then every reference to a fullUrl
is rewritten, then it is written.
"""

from collections.abc import Generator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from http import HTTPStatus
from typing import NamedTuple

from careplan_bridge.sandbox import moments, presenting, references
from careplan_bridge.sandbox.exchange import Answer, Asked, Handler
from careplan_bridge.sandbox.jsontext import Resource, is_object, render
from careplan_bridge.sandbox.outcome import Issue, Refused, operation_outcome, refuse
from careplan_bridge.sandbox.references import Link
from careplan_bridge.sandbox.repository import Repository, Stored
from careplan_bridge.sandbox.store import Version

_ORDER = ("DELETE", "POST", "PUT", "GET")


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the Bundle that was sent; `where` is its FHIRPath."""

    where: str
    method: str
    url: str
    full_url: str
    request: Resource
    resource: Resource | None

    @property
    def path(self) -> tuple[str, ...]:
        return tuple(segment for segment in self.url.partition("?")[0].split("/") if segment)


class Settled(NamedTuple):
    """An entry and the resource that it writes; `existing` where a conditional create found one."""

    entry: Entry
    link: Link
    existing: bool = False


def entries_of(bundle: Resource, base: str) -> list[Entry]:
    return [_entry(position, entry, base) for position, entry in enumerate(bundle.get("entry", []))]


def transaction(bundle: Resource, asked: Asked, repository: Repository, handler: Handler) -> Answer:
    """Raises Refused for the first entry that cannot be done; nothing of the Bundle is stored then."""
    entries = entries_of(bundle, asked.base)
    with repository.store.writing():
        settled = _settle(entries, repository)
        names = {s.entry.full_url: str(s.link) for s in settled if s.entry.full_url}
        expecting = replace(repository, expected=frozenset(s.link for s in settled if s.entry.method != "DELETE"))
        leaving = [s.link for s in settled if s.entry.method == "DELETE"]
        answers: dict[str, Resource] = {}
        for one in sorted(settled, key=lambda s: _ORDER.index(s.entry.method)):
            with _named(one.entry):
                answers[one.entry.where] = _perform(one, names, leaving, expecting, asked)
        answers |= {entry.where: _read(entry, asked, handler) for entry in entries if entry.method == "GET"}
    return _response("transaction-response", [answers[entry.where] for entry in entries])


def batch(bundle: Resource, asked: Asked, handler: Handler) -> Answer:
    """Every entry for itself; one that is refused stops no other."""
    return _response("batch-response", [_alone(entry, asked, handler) for entry in entries_of(bundle, asked.base)])


def _entry(position: int, entry: Resource, base: str) -> Entry:
    request = entry["request"]
    url = request["url"].removeprefix(f"{base}/")
    where = f"Bundle.entry[{position}]"
    return Entry(where, request["method"], url, entry.get("fullUrl", ""), request, entry.get("resource"))


def _settle(entries: list[Entry], repository: Repository) -> list[Settled]:
    settled: list[Settled] = []
    for entry in entries:
        with _named(entry):
            if entry.method != "GET":
                settled.append(_target(entry, repository))
    _check_once(settled)
    return settled


def _target(entry: Entry, repository: Repository) -> Settled:
    if entry.method == "POST":
        return _creation(entry, repository)
    if entry.method not in _ORDER:
        raise refuse(400, "not-supported", f"{entry.method} is not supported in a transaction")
    if len(entry.path) != 2 or "?" in entry.url:  # noqa: PLR2004 - type and id
        raise refuse(400, "not-supported", f"{entry.method} needs a type and an id, not {entry.url}")
    return Settled(entry, Link(*entry.path))


def _creation(entry: Entry, repository: Repository) -> Settled:
    (resource_type,) = entry.path if len(entry.path) == 1 else ("",)
    if entry.resource is None or entry.resource["resourceType"] != resource_type:
        raise refuse(400, "invalid", f"POST {entry.url} needs a resource of that type")
    condition = entry.request.get("ifNoneExist")
    existing = repository.matching(resource_type, condition) if condition else None
    return Settled(entry, existing or Link(resource_type, repository.store.next_id()), existing is not None)


def _check_once(settled: list[Settled]) -> None:
    written = [one.link for one in settled if not one.existing]
    conditions = [(one.link.type, one.entry.request.get("ifNoneExist")) for one in settled]
    named = [condition for condition in conditions if condition[1]]
    if len(set(written)) < len(written) or len(set(named)) < len(named):
        raise refuse(400, "duplicate", "two entries write the same resource or have the same ifNoneExist")


def _perform(
    one: Settled, names: dict[str, str], leaving: list[Link], repository: Repository, asked: Asked
) -> Resource:
    entry = one.entry
    if entry.method == "DELETE":
        return _deleted(repository.delete(one.link, entry.request.get("ifMatch"), leaving))
    if one.existing:
        return _written(Stored(200, repository.read(one.link)), asked)
    resource = references.rewritten(entry.resource, lambda literal: _resolved(literal, names))
    if not is_object(resource):
        raise refuse(400, "required", f"{entry.method} needs a resource")
    if entry.method == "POST":
        return _written(repository.store_new(one.link, resource, asked.base), asked)
    check_identity(resource, one.link)
    return _written(repository.update(one.link, resource, asked.base, entry.request.get("ifMatch")), asked)


def _resolved(literal: str, names: dict[str, str]) -> str:
    if literal in names:
        return names[literal]
    if literal.startswith(("urn:uuid:", "urn:oid:")):
        raise refuse(400, "not-found", f"no entry of this Bundle has the fullUrl {literal}")
    return literal


def check_identity(resource: Resource, link: Link) -> None:
    """Raises Refused, 400, where the body of an update names another resource than the URL."""
    stated = f"{resource.get('resourceType')}/{resource.get('id')}"
    if stated != str(link):
        raise refuse(400, "invalid", f"the body names {stated}, the URL {link}")


def _written(stored: Stored, asked: Asked) -> Resource:
    version = stored.version
    entry: Resource = {}
    if asked.prefers("return") == "representation":
        entry["resource"] = presenting.resource_of(version)
    entry["response"] = {
        "status": _status(stored.status),
        "location": presenting.location(version),
        "etag": presenting.etag(version),
        "lastModified": moments.instant(version.at),
    }
    return entry


def _deleted(version: Version | None) -> Resource:
    etag = {"etag": presenting.etag(version)} if version else {}
    return {"response": {"status": _status(204), **etag}}


def _read(entry: Entry, asked: Asked, handler: Handler) -> Resource:
    with _named(entry):
        answer = handler(_as_request(entry, asked))
        return _answered(answer)


def _alone(entry: Entry, asked: Asked, handler: Handler) -> Resource:
    try:
        return _answered(handler(_as_request(entry, asked)))
    except Refused as refused:
        return {"response": {"status": _status(refused.status), "outcome": operation_outcome(refused.issues)}}


def _answered(answer: Answer) -> Resource:
    response: Resource = {"status": _status(answer.status)}
    found = {name.lower(): value for name, value in answer.headers.items()}
    response |= {name: found[name] for name in ("location", "etag") if name in found}
    entry: Resource = {} if answer.resource is None else {"resource": answer.resource}
    return {**entry, "response": response}


def _as_request(entry: Entry, asked: Asked) -> Asked:
    names = {"ifMatch": "if-match", "ifNoneExist": "if-none-exist", "ifNoneMatch": "if-none-match"}
    headers = {names[name]: entry.request[name] for name in names if name in entry.request}
    headers |= {"prefer": asked.header("prefer") or ""}
    body = b"" if entry.resource is None else render(entry.resource)
    return Asked(entry.method, entry.path, entry.url.partition("?")[2], headers, body, asked.base)


@contextmanager
def _named(entry: Entry) -> Generator[None]:
    """Says in every issue which entry it is about."""
    try:
        yield
    except Refused as refused:
        issues = [Issue(i.code, f"{entry.where}: {i.says}", i.where or entry.where) for i in refused.issues]
        raise Refused(refused.status, issues) from None


def _response(kind: str, entries: list[Resource]) -> Answer:
    bundle: Resource = {"resourceType": "Bundle", "type": kind}
    return Answer(200, bundle | ({"entry": entries} if entries else {}))


def _status(code: int) -> str:
    return f"{code} {HTTPStatus(code).phrase}"
