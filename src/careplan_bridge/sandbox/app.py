"""The sandbox as an ASGI application."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from pathlib import Path

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from careplan_bridge.sandbox.clock import Clock, wall_clock
from careplan_bridge.sandbox.exchange import Answer, Asked, Handler, HangUp, Misbehaviour
from careplan_bridge.sandbox.lacking import lacking
from careplan_bridge.sandbox.presenting import Searches
from careplan_bridge.sandbox.repository import Repository
from careplan_bridge.sandbox.service import Service
from careplan_bridge.sandbox.store import Store
from careplan_bridge.sandbox.wire import NoAnswer, response

DATABASE = "sandbox.sqlite"
_METHODS = ["GET", "HEAD", "POST", "PUT", "PATCH", "DELETE"]


@dataclass(frozen=True, slots=True)
class Settings:
    """How this server behaves.

    stale_status: what a stale If-Match is answered with: 412 as R4 says, or 409 as HAPI does.
    transactions: are transaction Bundles declared and taken?
    page_size, largest_page: entries on a page where _count is not given, and at most.
    lacks: what it can't do and does not declare; see `lacking`.
    """

    stale_status: int = 412
    transactions: bool = True
    page_size: int = 50
    largest_page: int = 1000
    clock: Clock = wall_clock
    lacks: tuple[str, ...] = ()


def create_app(
    folder: Path | None = None,
    settings: Settings | None = None,
    *,
    store: Store | None = None,
    misbehaviours: Sequence[Misbehaviour] = (),
) -> Starlette:
    """The application, serving FHIR at /fhir from `sandbox.sqlite` in the folder, or from memory without one.

    `misbehaviours` is looked at for each request, so a list may change while the server runs. A store that is
    handed in is the caller's to close.
    """
    chosen = settings or Settings()
    front = _Front(service_of(store or open_store(folder), chosen), misbehaviours)
    # A page in a browser may point a name of its own at loopback; it must not get at the data through it.
    only_loopback = Middleware(TrustedHostMiddleware, allowed_hosts=["127.0.0.1", "localhost"])
    return Starlette(routes=[Route("/{path:path}", front.respond, methods=_METHODS)], middleware=[only_loopback])


def open_store(folder: Path | None) -> Store:
    if folder is None:
        return Store(None)
    folder.mkdir(parents=True, exist_ok=True)
    return Store(folder / DATABASE)


def service_of(store: Store, settings: Settings) -> Handler:
    """The server without web framework and misbehaviours: a request in, an answer out."""
    repository = Repository(store, settings.clock, settings.stale_status)
    searches = Searches(settings.page_size, settings.largest_page)
    service = Service(repository, searches, transactions=settings.transactions)
    return lacking(service.answer, settings.lacks)


@dataclass(frozen=True, slots=True)
class _Front:
    handler: Handler
    misbehaviours: Sequence[Misbehaviour]

    async def respond(self, request: Request) -> Response:
        asked = _asked(request, await request.body())
        try:
            answer = await run_in_threadpool(self._answer, asked)
        except HangUp:
            return NoAnswer()
        return response(answer)

    def _answer(self, asked: Asked) -> Answer:
        return reduce(_wrapped, reversed(tuple(self.misbehaviours)), self.handler)(asked)


def _wrapped(handler: Handler, misbehaviour: Misbehaviour) -> Handler:
    return lambda asked: misbehaviour(asked, handler)


def _asked(request: Request, body: bytes) -> Asked:
    segments = [segment for segment in request.scope["path"].split("/") if segment]
    host, port = request.scope["server"]
    path = tuple(segments[1:]) if segments[:1] == ["fhir"] else ("", *segments)
    headers = {name.lower(): value for name, value in request.headers.items()}
    return Asked(request.method, path, request.url.query, headers, body, f"http://{host}:{port}/fhir")
