"""Kills a command at its boundaries, runs it again, and compares server and ledger with an undisturbed run.

    python -m tests.faults.kill_driver                  every point of every command on every rung
    python -m tests.faults.kill_driver --sample 100     so many of them, drawn by lot; --seed N draws the same ones again

A point is a command, a rung (which way its writes go) and the number of a boundary; see boundaries.py.
"""

import argparse
import json
import os
import random
import shutil
import signal
import sqlite3
import tempfile
from collections.abc import Generator, Iterable, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from multiprocessing.context import ForkServerContext
from pathlib import Path
from typing import Any, NamedTuple

from tests.faults import boundaries, stage
from tests.faults.forked import forked
from tests.faults.stage import Scene, Stage
from tests.writeback.occasions import on_server

PATIENCE = 120
RECORDS = ("DocumentReference", "Observation", "Communication")
KINDS = (*stage.KINDS, *RECORDS)


class Rung(NamedTuple):
    """Which endpoint file is used, and what the server lacks."""

    endpoint: str = "endpoint"
    lacks: tuple[str, ...] = ()


class Run(NamedTuple):
    """A command on a scene, by a rung."""

    command: str
    scene: Scene
    rung: str


class Point(NamedTuple):
    run: Run
    nth: int


_NO_CHANGES = ("CarePlan.update",)
RUNGS = {
    "transaction": Rung(),
    "one by one": Rung("one-by-one"),
    "client id": Rung("one-by-one", ("conditional-create",)),
    "search": Rung("one-by-one", ("conditional-create", "client-id")),
    "no versions": Rung("unguarded", ("version",)),
    "no identifiers": Rung("one-by-one", ("identifier",)),
    "note": Rung("one-by-one", ("Goal.update",)),
    "document": Rung("one-by-one", _NO_CHANGES),
    "observation": Rung("one-by-one", (*_NO_CHANGES, "DocumentReference.create")),
    "communication": Rung("one-by-one", (*_NO_CHANGES, "DocumentReference.create", "Observation.create")),
    "parked": Rung("one-by-one", ("CarePlan.create", *_NO_CHANGES, *(f"{kind}.create" for kind in RECORDS))),
}
_PUSHED_IN_THEIR_OWN_WAY = tuple(
    name for name in RUNGS if name not in {"note", "document", "observation", "communication"}
)
_SYNCED = ("one by one", "client id", "search", "no versions", "no identifiers", "note", "document")
RUNS = (
    *(Run("push", "drafted", rung) for rung in _PUSHED_IN_THEIR_OWN_WAY),
    *(Run("sign", "decided without versions" if rung == "no versions" else "decided", rung) for rung in RUNGS),
    Run("sync", "signed", "transaction"),
    *(Run("sync", "signed one by one", rung) for rung in _SYNCED),
    Run("pull", "pushed", "transaction"),
    Run("respond", "exceeded", "transaction"),
)


@dataclass(frozen=True)
class Left:
    """What a run left: its exit code and words, our resources on the server, and what the ledger says without moments."""

    exit: int
    said: str
    server: dict[str, Any]
    ledger: dict[str, Any]


@dataclass
class Driver:
    """The stage, the process that the others are forked from, and what undisturbed runs met and left."""

    stage: Stage
    scratch: Path
    context: ForkServerContext
    met: dict[Run, list[str]] = field(default_factory=dict[Run, list[str]])
    undisturbed: dict[Run, Left] = field(default_factory=dict[Run, Left])

    def points(self, runs: Iterable[Run] = RUNS) -> list[Point]:
        """Every boundary that the undisturbed runs meet."""
        return [Point(run, nth) for run in runs for nth in range(1, len(self._met(run)) + 1)]

    def says(self, point: Point) -> str:
        run, nth = point
        return f"{run.command} ({run.rung}), killed at boundary {nth}: {self._met(run)[nth - 1]}"

    def differs(self, point: Point) -> str:
        """What is otherwise than after an undisturbed run; empty where nothing is."""
        self._met(point.run)
        folder = self._folder(point.run)
        if self._go(folder, point.run, point.nth) != -signal.SIGKILL:
            return "the process was not killed"
        self._go(folder, point.run, boundaries.NEVER)
        return _difference(self._left(folder), self.undisturbed[point.run])

    def _met(self, run: Run) -> list[str]:
        if run not in self.met:
            folder = self._folder(run)
            assert self._go(folder, run, boundaries.NEVER) == 0
            self.met[run] = (folder / "met.txt").read_text(encoding="utf-8").splitlines()[:-1]
            self.undisturbed[run] = self._left(folder)
            assert self.undisturbed[run].exit == 0, self.undisturbed[run].said
        return self.met[run]

    def _folder(self, run: Run) -> Path:
        folder = self.scratch / "work"
        shutil.rmtree(folder, ignore_errors=True)
        self.stage.set(run.scene, folder)
        if lacks := RUNGS[run.rung].lacks:
            self.stage.sandbox.misbehaviours.append(stage.without(*lacks))
        return folder

    def _go(self, folder: Path, run: Run, die_at: int) -> int | None:
        words = self.stage.words(run.command, RUNGS[run.rung].endpoint)
        process = self.context.Process(target=boundaries.command, args=(folder, words, die_at))
        process.start()
        process.join(PATIENCE)
        code = process.exitcode
        process.close()
        return code

    def _left(self, folder: Path) -> Left:
        self.stage.sandbox.misbehaviours.clear()  # all that it holds is compared, what it does not show as well
        code = int((folder / "met.txt").read_text(encoding="utf-8").splitlines()[-1])
        said = (folder / "said.txt").read_text(encoding="utf-8")
        return Left(code, said, _held(self.stage.sandbox.base), _ledger(folder / "ledger.sqlite"))


@contextmanager
def driver(*, small: bool = False) -> Generator[Driver]:
    """`small`: with a short protocol, for a quicker look.

    In memory where the machine offers that: what SIGKILL leaves is the same, and the disk is not waited for."""
    memory = Path("/dev/shm")  # noqa: S108
    with tempfile.TemporaryDirectory(dir=memory if os.access(memory, os.W_OK) else None) as folder:
        templates, scratch = Path(folder) / "stage", Path(folder) / "scratch"
        templates.mkdir()
        scratch.mkdir()
        context = forked()
        with stage.set_up(templates, small=small) as set_up:
            yield Driver(set_up, scratch, context)


def sample(points: Sequence[Point], size: int, seed: int) -> list[Point]:
    """So many points, as many of each command on each rung as there are."""
    drawn = random.Random(seed)
    by_run: dict[Run, list[Point]] = {}
    for point in drawn.sample(points, len(points)):
        by_run.setdefault(point.run, []).append(point)
    turns = [points[turn] for turn in range(len(points)) for points in by_run.values() if turn < len(points)]
    return turns[:size]


def _difference(left: Left, wanted: Left) -> str:
    if left.exit != 0:
        return f"the next run ended with {left.exit}: {left.said[-500:]}"
    for name in ("server", "ledger"):
        found, expected = getattr(left, name), getattr(wanted, name)
        other = sorted(key for key in found.keys() | expected.keys() if found.get(key) != expected.get(key))
        if other:
            return f"the {name} differs in {', '.join(other[:6])}"
    return ""


def _held(base: str) -> dict[str, Any]:
    """All that was written, with ids and versions; only the server's own clock is left out."""
    resources = [resource for kind in KINDS for resource in on_server(base, kind)]
    for resource in resources:
        resource["meta"].pop("lastUpdated")
    return {f"{resource['resourceType']}/{resource['id']}": resource for resource in resources}


_QUESTIONS = {
    "plans": "SELECT id FROM plans ORDER BY id",
    "events": "SELECT plan, place, event FROM events ORDER BY plan, place",
    "bindings": "SELECT plan, endpoint, base, patient, care_plan FROM bindings ORDER BY plan",
    "goals": "SELECT plan, identifier, reference FROM goals ORDER BY identifier",
    "decisions": "SELECT id, document, state FROM decisions ORDER BY id",
    "seen": "SELECT reference, version, managed FROM seen ORDER BY reference",
    "open intents": "SELECT step, state FROM intents WHERE state NOT IN ('confirmed', 'refused') ORDER BY id",
    "integrity": "PRAGMA integrity_check",
}


def _ledger(path: Path) -> dict[str, Any]:
    """What the ledger says, without when it was said and how often it was tried."""
    if not path.exists():
        return {}
    with closing(sqlite3.connect(path)) as db:
        return {name: db.execute(question).fetchall() for name, question in _QUESTIONS.items()}


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.faults.kill_driver", description=__doc__)
    parser.add_argument("--sample", type=int, default=0, help="so many points instead of all")
    parser.add_argument("--seed", type=int, default=random.randrange(10**6), help="of the sample")
    wanted = parser.parse_args()
    with driver() as kills:
        points = kills.points()
        print(f"{len(points)} points: {json.dumps({' '.join(run): len(met) for run, met in kills.met.items()})}")
        chosen = sample(points, wanted.sample, wanted.seed) if wanted.sample else points
        print(f"{len(chosen)} of them are tried; seed {wanted.seed}", flush=True)
        faults = 0
        for point in chosen:
            if why := kills.differs(point):
                faults += 1
                print(f"{kills.says(point)}: {why}", flush=True)
    print(f"{faults} of {len(chosen)} did not come to the same end")
    return 1 if faults else 0


if __name__ == "__main__":
    raise SystemExit(main())
