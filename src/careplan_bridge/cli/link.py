"""Opens the ledger and the endpoint that a command works with, with the real clock, environment and waiting."""

import os
import time
from pathlib import Path

from careplan_bridge import bridge
from careplan_bridge.cli import clock, output
from careplan_bridge.errors import WrongUse

_NEEDS_A_LEDGER = {
    "sync",
    "decide",
    "sign",
    "respond",
}  # with a mistyped path an empty one would look like nothing to do


def surroundings() -> "bridge.Surroundings":
    return bridge.Surroundings(environ=os.environ, now=clock.now, wait=time.sleep)


def _nothing(_sentence: str) -> None:
    pass


def open_link(
    ledger: Path,
    command: str,
    *,
    endpoint: Path | None = None,
    conventions: Path | None = None,
    writing: bool = True,
) -> "bridge.Link":
    if command in _NEEDS_A_LEDGER and not ledger.exists():
        raise WrongUse(f"There is no ledger at {ledger}; `push` makes one, --ledger names another.")
    return bridge.Link(
        ledger_path=ledger,
        now=clock.now,
        owner=f"careplan-bridge {command}",
        endpoint=bridge.endpoint(endpoint) if endpoint else None,
        conventions=bridge.conventions(conventions) if conventions else None,
        environ=os.environ,
        wait=time.sleep,
        tell=_nothing if command == "sync" else output.note,  # a run over many plans tells in its results
        writing=writing,
    )
