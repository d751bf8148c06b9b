"""kill -9 at every moment that matters: after the next run there is one effect on the server, and nothing is lost.

What the server holds after a killed run and the next one is compared, whole and with all versions, to what it holds after a run that
nothing disturbed: a repeated write would show as another version or another resource, a lost one as a missing.
"""

import sqlite3
from contextlib import closing
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.model.course import Course
from careplan_bridge.model.plan import Plan
from careplan_bridge.sandbox.server import Sandbox
from careplan_bridge.writeback.push import push_plan
from careplan_bridge.writeback.resume import settle
from tests.faults import killed
from tests.faults.killed import Moment, Occasion
from tests.writeback import occasions
from tests.writeback.occasions import on_server

MOMENTS: tuple[Moment, ...] = ("before sending", "answer lost", "confirmed")
# Which writes of an occasion are worth dying at, by way: with transactions it is one Bundle (and then Provenance); one by one it is
# the first and last Goal, the CarePlan (the commit point), a Goal after it, Provenance.
WRITES: dict[tuple[Occasion, bool], tuple[int, ...]] = {
    ("push", True): (1,),
    ("push", False): (1, 5, 6),
    ("decision", True): (1, 2),
    ("decision", False): (1, 6, 7, 8, 13),
}
CASES = [
    pytest.param(
        occasion,
        transactions,
        nth,
        moment,
        id=f"{occasion}-{'together' if transactions else 'one-by-one'}-{nth}-{moment}",
    )
    for (occasion, transactions), numbers in WRITES.items()
    for nth in numbers
    for moment in MOMENTS
]
Held = dict[str, Any]


@pytest.mark.parametrize(("occasion", "transactions", "nth", "moment"), CASES)
def test_after_the_next_run_there_is_one_effect_and_nothing_is_lost(
    occasion: Occasion, nth: int, moment: Moment, tmp_path: Path, *, transactions: bool
) -> None:
    with Sandbox(transactions=transactions) as sandbox:
        path = tmp_path / "ledger.sqlite"
        prepare(occasion, sandbox.base, path)
        killed.kill(occasion, occasions.endpoint(sandbox.base), path, the_plan(), nth, moment)
        assert in_flight(path) == (0 if moment == "confirmed" else 1)
        finish(occasion, sandbox.base, path)
        assert held(sandbox.base) == undisturbed(occasion, transactions=transactions)
        assert_whole(path, occasion)


@cache
def the_plan() -> Plan:
    return occasions.an_acl_plan()


def prepare(occasion: Occasion, base: str, path: Path) -> None:
    """What stands before the occasion: the patient; for a decision, the pushed plan and the acknowledged decision."""
    plan = the_plan()
    occasions.put_patient(base, plan)
    if occasion == "decision":
        with occasions.connected(occasions.endpoint(base)) as client, occasions.open_ledger(path) as ledger:
            push_plan(client, ledger, plan)
            occasions.acknowledged(ledger, plan)


def in_flight(path: Path) -> int:
    """Writes that the killed run left without an answer."""
    with Ledger(path, now=occasions.now, owner="look", writing=False) as ledger:
        (plan,) = ledger.plans()
        return sum(intent.state == "sent" for intent in ledger.open_intents(plan.id))


def finish(occasion: Occasion, base: str, path: Path) -> None:
    """The next run: the same push again, or what `sync` does first with every plan."""
    if occasion == "push":
        killed.run(occasion, occasions.endpoint(base), path, the_plan())
        return
    with occasions.connected(occasions.endpoint(base)) as client, occasions.open_ledger(path) as ledger:
        settle(client, ledger, ledger.plans()[0].id)


def held(base: str) -> Held:
    """All that was written, with ids and versions; only the server's own clock is left out."""
    resources = [resource for kind in ("CarePlan", "Goal", "Provenance") for resource in on_server(base, kind)]
    for resource in resources:
        resource["meta"].pop("lastUpdated")
    return {f"{resource['resourceType']}/{resource['id']}": resource for resource in resources}


@cache
def undisturbed(occasion: Occasion, *, transactions: bool) -> Held:
    from tempfile import TemporaryDirectory  # noqa: PLC0415

    with Sandbox(transactions=transactions) as sandbox, TemporaryDirectory() as folder:
        path = Path(folder) / "ledger.sqlite"
        prepare(occasion, sandbox.base, path)
        killed.run(occasion, occasions.endpoint(sandbox.base), path, the_plan())
        return held(sandbox.base)


def assert_whole(path: Path, occasion: Occasion) -> None:
    with occasions.open_ledger(path) as ledger:
        (plan,) = ledger.plans()
        assert ledger.open_intents(plan.id) == ()
        assert ledger.waiting(plan.id) == ()
        assert [record.state for record in ledger.decisions(plan.id)] == ([] if occasion == "push" else ["written"])
        assert plan.course == Course() if occasion == "push" else plan.course.stage == "load"
        assert len(plan.course.events) == (0 if occasion == "push" else 2)
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
