"""kill -9 inside the nightly run: after the next one, server and ledger are what they are after a run that nothing disturbed.

Two plans are due: one whose signed decision still waits to be written and whose next stage then has something to say unsigned, and one
with unsigned writes alone. The run is cut off at each of its writes in turn, at each moment of that write.
"""

import sqlite3
from contextlib import closing
from datetime import timedelta
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest

from careplan_bridge.criteria import deciding
from careplan_bridge.model.endpoint import Endpoint
from careplan_bridge.model.plan import Plan
from careplan_bridge.sandbox.exchange import Answer, Asked, Handler
from careplan_bridge.sandbox.server import Sandbox
from tests.bridge.clinic import endpoint, link, record, settle_in
from tests.faults import killed
from tests.faults.killed import Moment
from tests.faults.test_kill import held
from tests.writeback import occasions

MOMENTS: tuple[Moment, ...] = ("before sending", "answer lost", "confirmed")
LINES = ("in-progress", "improving", "worsening", "no-change", "re-open")
# Which writes are worth dying at. With transactions: what the first plan has to say unsigned, the other's decision as one Bundle, its
# Provenance, the last of what goes unsigned. One by one: the first new Goal, the CarePlan (the commit point), an old Goal, Provenance.
TOGETHER, ONE_BY_ONE = (1, 2, 3, 6), (2, 8, 9, 14)
CASES = [(True, nth) for nth in TOGETHER] + [(False, nth) for nth in ONE_BY_ONE]
# What a run that was cut off leaves differently, rightly: when, how often tried, and how the end of a write was found out.
LEDGER = {
    "events": "plan, place, event",
    "bindings": "plan, patient, care_plan",
    "goals": "plan, identifier, reference",
    "decisions": "id, document, state",
    "intents": "subject, decision, step, kind, target, state, reference, version",
    "seen": "reference, version, managed",
}
Kept = dict[str, Any]


@pytest.mark.parametrize("moment", MOMENTS)
@pytest.mark.parametrize(
    ("transactions", "nth"), CASES, ids=[f"{'together' if t else 'one-by-one'}-{n}" for t, n in CASES]
)
def test_the_next_run_ends_where_an_undisturbed_one_would(
    nth: int, moment: Moment, tmp_path: Path, *, transactions: bool
) -> None:
    with Sandbox(transactions=transactions) as sandbox:
        path = prepare(sandbox.base, tmp_path)
        killed.kill("sync", lets_through(sandbox.base), path, occasions.an_acl_plan(), nth, moment)
        killed.run("sync", lets_through(sandbox.base), path, occasions.an_acl_plan())
        server, ledger, _ = undisturbed(transactions=transactions)
        assert held(sandbox.base) == server
        assert kept(path) == ledger


def test_the_writes_are_the_ones_that_are_counted() -> None:
    assert (undisturbed(transactions=True)[2], undisturbed(transactions=False)[2]) == (6, 17)


def test_the_run_after_writes_nothing(tmp_path: Path) -> None:
    with Sandbox() as sandbox:
        path = prepare(sandbox.base, tmp_path)
        for _ in range(2):
            killed.run("sync", lets_through(sandbox.base), path, occasions.an_acl_plan())
        assert held(sandbox.base) == undisturbed(transactions=True)[0]


def lets_through(base: str) -> Endpoint:
    return endpoint(base, unsigned=LINES)


def prepare(base: str, folder: Path) -> Path:
    """Two plans on the server; the ledger holds a decision about one of them that is fully signed and not written."""
    with link(folder, endpoint(base)) as site:
        other, _ = settle_in(site, base, "achilles-repair", "not-yet")
        record(base, [pain(other)])
        plan, at = settle_in(site, base, "acl-reconstruction", "awaiting-decision")
        check = site.check(plan, at)
        decision = site.decide(check, "advance", "all met", at)
        site.ledger.save_decision(deciding.sign(plan, decision, check, "t-lindqvist", at))
    return folder / "ledger.sqlite"


def pain(plan: Plan) -> Kept:
    """More than the stage allows: its Goal is in progress."""
    return {
        "resourceType": "Observation",
        "id": "pain-at-rest",
        "status": "final",
        "code": {"coding": [{"system": "https://example.org/alder-quay", "code": "NPRS-R"}]},
        "subject": {"reference": plan.patient},
        "effectiveDateTime": (killed.AT - timedelta(days=1)).isoformat(),
        "valueInteger": 6,
    }


@cache
def undisturbed(*, transactions: bool) -> tuple[Kept, Kept, int]:
    """What server and ledger hold after a run that nothing disturbed, and how many writes it took."""
    with Sandbox(transactions=transactions) as sandbox, TemporaryDirectory() as folder:
        path = prepare(sandbox.base, Path(folder))
        writes: list[str] = []

        def count(asked: Asked, handler: Handler) -> Answer:
            writes.extend([asked.method] if asked.method != "GET" else [])
            return handler(asked)

        sandbox.misbehaviours.append(count)
        killed.run("sync", lets_through(sandbox.base), path, occasions.an_acl_plan())
        return held(sandbox.base), kept(path), len(writes)


def kept(path: Path) -> Kept:
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        return {table: rows(db, table) for table in LEDGER}


def rows(db: sqlite3.Connection, table: str) -> list[str]:
    return sorted(map(repr, db.execute(f"SELECT {LEDGER[table]} FROM {table}")))  # noqa: S608 - our own words
