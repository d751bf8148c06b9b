"""A disk that is full, a file that may only be read, a file that is damaged: a sentence, the right exit code, nothing lost."""

import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from careplan_bridge.errors import BridgeError, RunAgain, WrongUse
from careplan_bridge.ledger import ledger as opening
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.ledger.records import ByVersion
from careplan_bridge.model.decision import Decision
from careplan_bridge.model.plan import Plan
from tests.ledger.test_decisions import signed

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
Open = Callable[[], Ledger]


class Connecting:
    """Stands for `sqlite3` in ledger.py: opens as the test wants it."""

    def __init__(self, connect: Callable[[Path], sqlite3.Connection]) -> None:
        self._connect = connect
        self.Row = sqlite3.Row

    def connect(self, path: Path, **_: object) -> sqlite3.Connection:
        return self._connect(path)


def read_only(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"file:{path}?mode=ro", uri=True, isolation_level=None)


def without_room(path: Path) -> sqlite3.Connection:
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA max_page_count = 1")
    return db


class Disk:
    """Opens as usual, and lets the file grow no more once it is full."""

    def __call__(self, path: Path) -> sqlite3.Connection:
        self._db = sqlite3.connect(path, isolation_level=None)
        return self._db

    def fill(self) -> None:
        (pages,) = self._db.execute("PRAGMA page_count").fetchone()
        self._db.execute(f"PRAGMA max_page_count = {pages}")


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> Disk:
    made = Disk()
    monkeypatch.setattr(opening, "sqlite3", Connecting(made))
    return made


@pytest.mark.parametrize(
    ("connect", "error", "says"),
    [(read_only, WrongUse, "may only be read"), (without_room, RunAgain, "has no room left on its disk")],
)
def test_opening(
    open_ledger: Open,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    connect: Callable[[Path], sqlite3.Connection],
    error: type[BridgeError],
    says: str,
) -> None:
    (tmp_path / "ledger.sqlite").touch()
    monkeypatch.setattr(opening, "sqlite3", Connecting(connect))
    with pytest.raises(error, match=says), open_ledger():
        pass
    monkeypatch.undo()
    with open_ledger() as ledger:  # nothing was left locked or half made
        assert ledger.plans() == ()


def test_opening_a_ledger_that_may_only_be_read_leaves_it_as_it_is(
    open_ledger: Open, tmp_path: Path, plan: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_ledger() as ledger:
        ledger.add_plan(plan)
    before = (tmp_path / "ledger.sqlite").read_bytes()
    monkeypatch.setattr(opening, "sqlite3", Connecting(read_only))
    with pytest.raises(WrongUse, match="give this account the right to write"), open_ledger():
        pass
    assert (tmp_path / "ledger.sqlite").read_bytes() == before


def test_a_disk_that_fills_while_a_decision_is_signed_loses_nothing(
    open_ledger: Open, disk: Disk, plan: Plan, discharge: Decision
) -> None:
    with open_ledger() as ledger:
        ledger.add_plan(plan)
        ledger.save_decision(signed(discharge, "therapist"))
        disk.fill()
        with pytest.raises(RunAgain, match=r"no room left .* the same command goes on"):
            fill_up(ledger, plan)
        kept = ledger.intents(plan.id)
    with open_ledger() as again:
        assert again.intents(plan.id) == kept
        assert again.verify().faults == ()
        assert again.save_decision(signed(discharge, "therapist", "surgeon")).state == "ready"


def fill_up(ledger: Ledger, plan: Plan) -> None:
    for step in range(100):
        ledger.intend(
            subject=plan.id,
            step=f"{step}",
            kind="update",
            target="Goal/1",
            guard=ByVersion(version="1"),
            body=b"." * 9000,
        )


def test_a_group_of_writes_that_the_disk_cuts_off_leaves_none_of_them(
    open_ledger: Open, disk: Disk, plan: Plan
) -> None:
    with open_ledger() as ledger:
        ledger.add_plan(plan)
        disk.fill()
        with pytest.raises(RunAgain), ledger.together():
            fill_up(ledger, plan)
        assert ledger.intents(plan.id) == ()
        assert ledger.verify().faults == ()


def test_a_damaged_ledger_is_called_so(open_ledger: Open, tmp_path: Path, plan: Plan) -> None:
    with open_ledger() as ledger:
        ledger.add_plan(plan)
    path = tmp_path / "ledger.sqlite"
    data = path.read_bytes()
    path.write_bytes(data[:4096] + b"\xff" * (len(data) - 4096))
    with pytest.raises(WrongUse, match=r"is damaged .* `ledger backup`"), open_ledger():
        pass
