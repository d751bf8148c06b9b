"""A command as a process that kills itself with SIGKILL at its nth boundary: nothing is flushed, closed or cleaned up.

Boundaries are where something outside the process comes to hold what the process did: before a request goes out, after its
answer has come, before and after each transaction of the ledger.
"""

import importlib
import io
import os
import pkgutil
import signal
import sqlite3
import sys
from collections.abc import Callable, Sequence
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx

import careplan_bridge
from careplan_bridge.cli.main import run

NEVER = 0


@dataclass
class Boundaries:
    """Counts them, and dies at the nth."""

    die_at: int
    met: list[str] = field(default_factory=list[str])

    def at(self, name: str) -> None:
        self.met.append(name)
        if len(self.met) == self.die_at:
            self.die()

    def die(self) -> None:
        os.kill(os.getpid(), signal.SIGKILL)


def command(folder: Path, words: Sequence[str], die_at: int) -> None:
    """The body of the process. Where it lives to its end, `met.txt` names the boundaries and the last line is the exit code."""
    os.chdir(folder)
    boundaries = Boundaries(die_at)
    watch(boundaries)
    said = io.StringIO()
    with redirect_stdout(said), redirect_stderr(said):
        code = run(list(words))
    Path("met.txt").write_text("\n".join([*boundaries.met, str(code)]), encoding="utf-8")
    Path("said.txt").write_text(said.getvalue(), encoding="utf-8")


def watch(boundaries: Boundaries) -> None:
    """From here on every request and every transaction of the ledger is a boundary."""
    httpx.HTTPTransport.handle_request = _around_requests(boundaries, httpx.HTTPTransport.handle_request)
    connect = sqlite3.connect

    def watched(*arguments: Any, **named: Any) -> sqlite3.Connection:
        return connect(*arguments, factory=connection(boundaries), **named)

    sqlite3.connect = watched  # pyright: ignore[reportAttributeAccessIssue] - for this process only


def _around_requests(boundaries: Boundaries, send: Callable[..., httpx.Response]) -> Callable[..., httpx.Response]:
    def handle(self: httpx.HTTPTransport, request: httpx.Request) -> httpx.Response:
        name = f"{request.method} {request.url.path.removeprefix('/fhir')}"
        boundaries.at(f"before {name}")
        response = send(self, request)
        response.read()  # the server has answered in full: it has done what it was asked
        boundaries.at(f"after {name}")
        return httpx.Response(response.status_code, headers=_plain(response), content=response.content)

    return handle


def _plain(response: httpx.Response) -> list[tuple[str, str]]:
    return [(name, value) for name, value in response.headers.items() if name != "content-encoding"]


def connection(boundaries: Boundaries) -> type[sqlite3.Connection]:
    """A connection whose transactions are boundaries."""

    class Watched(sqlite3.Connection):
        def execute(self, sql: str, parameters: Any = (), /) -> sqlite3.Cursor:
            names = {"BEGIN IMMEDIATE": "a transaction of the ledger", "COMMIT": "its commit"}
            name = names.get(sql)
            if name:
                boundaries.at(f"before {name}")
            cursor = super().execute(sql, parameters)
            if name == "its commit":
                boundaries.at(f"after {name}")
            return cursor

    return Watched


def load_everything() -> None:
    """What commands import lazily, once, in the process that the others are forked from."""
    for module in pkgutil.walk_packages(careplan_bridge.__path__, "careplan_bridge."):
        if not module.name.endswith("__main__") and module.name not in sys.modules:
            importlib.import_module(module.name)
