"""A command on the stage while the sandbox misbehaves: what it said, and what became of ledger and server."""

import io
from contextlib import chdir, redirect_stderr, redirect_stdout
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace

import pytest

from careplan_bridge.cli import link
from careplan_bridge.cli.main import run
from careplan_bridge.sandbox.exchange import Misbehaviour
from tests.faults.stage import Scene, Stage, ledger_state

BEFORE: dict[str, Scene] = {"push": "drafted", "pull": "pushed", "sync": "pushed", "sign": "decided"}


@dataclass(frozen=True)
class Played:
    """`waits`: the seconds it wanted to sleep. `ledger` and `server`: see stage.py. `again`: the same, after the same command anew."""

    exit: int
    says: str
    waits: list[float]
    ledger: dict[str, int]
    server: dict[str, str]
    again: "Played | None" = field(default=None)


def play(stage: Stage, folder: Path, command: str, misbehaviour: Misbehaviour, *, endpoint: str = "endpoint") -> Played:
    """The command from its scene on; then once more, on a server that has come to its senses."""
    stage.set(BEFORE[command], folder)
    stage.sandbox.misbehaviours.append(misbehaviour)
    first = _run(stage, folder, command, endpoint)
    again = _run(stage, folder, command, endpoint)
    return Played(first.exit, first.says, first.waits, first.ledger, first.server, again)


def _run(stage: Stage, folder: Path, command: str, endpoint: str) -> Played:
    waits: list[float] = []
    said = io.StringIO()
    with pytest.MonkeyPatch.context() as patch, chdir(folder), redirect_stdout(said), redirect_stderr(said):
        patch.setattr(link, "time", SimpleNamespace(sleep=waits.append))
        code = run(stage.words(command, endpoint))
    stage.sandbox.misbehaviours.clear()
    return Played(code, said.getvalue(), waits, ledger_state(folder), stage.held())
