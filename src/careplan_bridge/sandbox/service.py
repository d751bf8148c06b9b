"""The server without its web framework: a request in, an answer out; every refusal becomes an OperationOutcome."""

import logging
from collections.abc import Callable
from typing import TypeAlias

from careplan_bridge.sandbox import presenting
from careplan_bridge.sandbox.bodies import resource_in
from careplan_bridge.sandbox.capability import capability_statement
from careplan_bridge.sandbox.definitions import table
from careplan_bridge.sandbox.exchange import Answer, Asked, HangUp
from careplan_bridge.sandbox.outcome import Issue, Refused, information, operation_outcome, refuse
from careplan_bridge.sandbox.presenting import Searches
from careplan_bridge.sandbox.references import Link
from careplan_bridge.sandbox.repository import Repository
from careplan_bridge.sandbox.searching import read_query
from careplan_bridge.sandbox.transaction import batch, check_identity, transaction

_log = logging.getLogger(__name__)

Interaction: TypeAlias = Callable[["Service", Asked], Answer]


class Service:
    """Answers requests; safe to call from several threads."""

    def __init__(self, repository: Repository, searches: Searches, *, transactions: bool = True) -> None:
        self.repository = repository
        self.searches = searches
        self.transactions = transactions

    def answer(self, asked: Asked) -> Answer:
        """Never raises but HangUp: a refusal has its own status, a fault of the sandbox is 500."""
        try:
            return self.handle(asked)
        except Refused as refused:
            return Answer(refused.status, operation_outcome(refused.issues))
        except HangUp:
            raise
        except RecursionError:
            return Answer(400, operation_outcome([Issue("too-costly", "the body is nested too deeply")]))
        except Exception:  # noqa: BLE001 - a client gets an OperationOutcome, the log the traceback
            _log.exception("fault in the sandbox")
            return Answer(500, operation_outcome([Issue("exception", "fault in the sandbox")]))

    def handle(self, asked: Asked) -> Answer:
        """Raises Refused."""
        shape = _shape(asked.path)
        interaction = _INTERACTIONS.get((asked.method, shape))
        if interaction is not None:
            return interaction(self, asked)
        allowed = sorted(method for method, known in _INTERACTIONS if known == shape)
        if not allowed:
            raise refuse(404, "not-found", f"nothing is served at /{'/'.join(asked.path)}")
        raise refuse(405, "not-supported", f"{asked.method} is not served here; {', '.join(allowed)} is")


def _shape(path: tuple[str, ...]) -> str:
    """The path with what varies replaced: `type`, `id`, `version`."""
    match path:
        case ("metadata",) | ():
            return "/".join(path)
        case (kind, *_) if kind not in table().resources:
            raise refuse(404, "not-found", f"{kind} is no resource type of this server")
        case (_, "_search"):
            return "type/_search"
        case (_, _, "_history", _):
            return "type/id/_history/version"
        case (_, _, "_history"):
            return "type/id/_history"
        case (_,) | (_, _):
            return "/".join(("type", "id")[: len(path)])
        case _:
            return "?"


def _metadata(service: Service, asked: Asked) -> Answer:
    return Answer(200, capability_statement(asked.base, transactions=service.transactions))


def _create(service: Service, asked: Asked) -> Answer:
    resource = resource_in(asked, asked.path[0])
    stored = service.repository.create(resource, asked.base, asked.header("if-none-exist"))
    return presenting.written(stored, asked)


def _read(service: Service, asked: Asked) -> Answer:
    return presenting.one(service.repository.read(Link(*asked.path)), asked)


def _vread(service: Service, asked: Asked) -> Answer:
    kind, key, _, number = asked.path
    return presenting.one(service.repository.read_version(Link(kind, key), number), asked)


def _history(service: Service, asked: Asked) -> Answer:
    return presenting.history(service.repository.history(Link(*asked.path[:2])), asked)


def _update(service: Service, asked: Asked) -> Answer:
    link = Link(*asked.path)
    resource = resource_in(asked, link.type)
    check_identity(resource, link)
    stored = service.repository.update(link, resource, asked.base, asked.header("if-match"))
    return presenting.written(stored, asked)


def _delete(service: Service, asked: Asked) -> Answer:
    version = service.repository.delete(Link(*asked.path), asked.header("if-match"))
    return Answer(200, information("deleted" if version else "there was nothing to delete"))


def _search(service: Service, asked: Asked) -> Answer:
    text = asked.body.decode("utf-8", "replace") if asked.path[-1] == "_search" else ""
    joined = "&".join(filter(None, (asked.query, text)))
    kind = asked.path[0]
    query = read_query(kind, joined, lenient=asked.prefers("handling") == "lenient")
    found = service.repository.search(kind, query)
    return service.searches.first_page(service.repository.store, found, kind, query, asked)


def _further_page(service: Service, asked: Asked) -> Answer:
    name, _, key = asked.query.partition("=")
    if name != "_page":
        raise refuse(400, "not-supported", "the base answers POST of a Bundle and the next links of a search")
    return service.searches.further_page(service.repository.store, key, asked)


def _bundle(service: Service, asked: Asked) -> Answer:
    bundle = resource_in(asked, "Bundle")
    if bundle["type"] == "batch":
        return batch(bundle, asked, service.handle)
    if bundle["type"] != "transaction":
        raise refuse(400, "invalid", f"a Bundle of type {bundle['type']} cannot be processed here")
    if not service.transactions:
        raise refuse(501, "not-supported", "this server does no transactions")
    return transaction(bundle, asked, service.repository, service.handle)


_INTERACTIONS: dict[tuple[str, str], Interaction] = {
    ("GET", ""): _further_page,
    ("POST", ""): _bundle,
    ("GET", "metadata"): _metadata,
    ("GET", "type"): _search,
    ("POST", "type"): _create,
    ("POST", "type/_search"): _search,
    ("GET", "type/id"): _read,
    ("PUT", "type/id"): _update,
    ("DELETE", "type/id"): _delete,
    ("GET", "type/id/_history"): _history,
    ("GET", "type/id/_history/version"): _vread,
}
