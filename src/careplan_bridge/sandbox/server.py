"""The sandbox as a running server on loopback: in a thread for tests and rehearsal, or blocking for a command."""

import socket
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from threading import Event, Thread
from types import TracebackType
from typing import Self

import uvicorn

from careplan_bridge.sandbox.app import Settings, create_app, open_store
from careplan_bridge.sandbox.clock import Clock, wall_clock
from careplan_bridge.sandbox.exchange import Misbehaviour
from careplan_bridge.sandbox.store import Store

HOST = "127.0.0.1"
_PATIENCE = 30.0


class Sandbox:
    """A FHIR R4 server at `base`, from entering to leaving the `with` block.

    folder: where `sandbox.sqlite` lies; None keeps everything in memory.
    port: 0 picks a free one.
    stale_status, transactions, page_size, lacks: see `app.Settings`.
    misbehaviours: a list that may change while the server runs; see `exchange.Misbehaviour`.
    """

    def __init__(
        self,
        folder: Path | None = None,
        *,
        port: int = 0,
        stale_status: int = 412,
        transactions: bool = True,
        page_size: int = 50,
        misbehaviours: Sequence[Misbehaviour] = (),
        clock: Clock = wall_clock,
        lacks: Sequence[str] = (),
    ) -> None:
        settings = Settings(stale_status, transactions, page_size, clock=clock, lacks=tuple(lacks))
        self.misbehaviours: list[Misbehaviour] = list(misbehaviours)
        self._folder = folder
        self._port = port
        self._settings = settings
        self._running: _Running | None = None

    @property
    def base(self) -> str:
        """http://127.0.0.1:PORT/fhir; only while it runs."""
        return self._started.base

    def state(self) -> bytes:
        """All it holds; `go_back_to` brings it back, without a new start, as long as it keeps its data in memory."""
        return self._started.store.state()

    def go_back_to(self, state: bytes) -> None:
        self._started.store.go_back_to(state)

    @property
    def _started(self) -> "_Running":
        if self._running is None:
            raise RuntimeError("the sandbox is not running: enter it with `with`")
        return self._running

    def __enter__(self) -> Self:
        self._running = _start(self._folder, self._port, self._settings, self.misbehaviours)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._running is not None:
            self._running.stop()
            self._running = None


def serve(
    folder: Path | None,
    port: int,
    *,
    ready: Callable[[str], None] = lambda _: None,
    settings: Settings | None = None,
    misbehaviours: Sequence[Misbehaviour] = (),
) -> None:
    """Serves until SIGINT or SIGTERM; calls `ready` with the base once it answers. Prints nothing.

    Raises OSError where the port is taken or the folder cannot be used.
    """
    listening = _listen(port)
    store = open_store(folder)
    app = create_app(settings=settings, store=store, misbehaviours=misbehaviours)
    try:
        _Server(app, lambda: ready(_base(listening))).run(sockets=[listening])
    finally:
        store.close()
        listening.close()


@dataclass(slots=True)
class _Running:
    base: str
    server: "_Server"
    thread: Thread
    store: Store
    listening: socket.socket

    def stop(self) -> None:
        self.server.should_exit = True
        self.thread.join(_PATIENCE)
        self.store.close()
        self.listening.close()


class _Server(uvicorn.Server):
    """uvicorn that says when it answers."""

    def __init__(self, app: object, ready: Callable[[], None]) -> None:
        super().__init__(
            uvicorn.Config(
                app,  # pyright: ignore[reportArgumentType] - any ASGI application
                http="h11",
                ws="none",
                loop="asyncio",
                lifespan="off",
                log_config=None,
                log_level="critical",
                access_log=False,
                server_header=False,
                timeout_graceful_shutdown=2,
            )
        )
        self._ready = ready

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        self._ready()


def _start(folder: Path | None, port: int, settings: Settings, misbehaviours: Sequence[Misbehaviour]) -> _Running:
    listening = _listen(port)
    store = open_store(folder)
    answering = Event()
    server = _Server(create_app(settings=settings, store=store, misbehaviours=misbehaviours), answering.set)
    thread = Thread(target=server.run, kwargs={"sockets": [listening]}, name="sandbox", daemon=True)
    thread.start()
    if not answering.wait(_PATIENCE):
        raise RuntimeError("the sandbox did not start")
    return _Running(_base(listening), server, thread, store, listening)


def _listen(port: int) -> socket.socket:
    # asyncio sets TCP_NODELAY only where the protocol is named; without it every answer waits 40 ms for an ACK.
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((HOST, port))
    except OSError:
        listening.close()
        raise
    listening.listen(128)
    return listening


def _base(listening: socket.socket) -> str:
    return f"http://{HOST}:{listening.getsockname()[1]}/fhir"
