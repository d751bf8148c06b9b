import os
import signal
import sqlite3
import stat
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from careplan_bridge.errors import RunAgain, WrongUse
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.model.plan import Plan

HOLDER = """
import sys, datetime
from careplan_bridge.ledger.ledger import Ledger
now = lambda: datetime.datetime(2026, 3, 2, 12, tzinfo=datetime.UTC)
with Ledger(sys.argv[1], now=now, owner="careplan-bridge sync"):
    print("held", flush=True)
    sys.stdin.read()
"""


def reading(path: Path) -> Ledger:
    return Ledger(path, now=lambda: datetime(2026, 3, 2, tzinfo=UTC), owner="reader", writing=False)


def test_only_its_owner_can_read_the_file(open_ledger: Callable[[], Ledger], tmp_path: Path, plan: Plan) -> None:
    before = os.umask(0)
    try:
        with open_ledger() as ledger:
            ledger.add_plan(plan)
            modes = {path.name: stat.S_IMODE(path.stat().st_mode) for path in tmp_path.iterdir()}
    finally:
        os.umask(before)
    assert len(modes) >= 2
    assert set(modes.values()) == {0o600}


def test_a_ledger_of_a_newer_program_is_refused_and_left_alone(
    open_ledger: Callable[[], Ledger], tmp_path: Path
) -> None:
    with open_ledger():
        pass
    db = sqlite3.connect(tmp_path / "ledger.sqlite")
    db.execute("PRAGMA user_version = 7")
    db.close()
    with pytest.raises(WrongUse, match=r"written by a newer version.*version 7"), open_ledger():
        pass


def test_another_programs_database_is_refused(open_ledger: Callable[[], Ledger], tmp_path: Path) -> None:
    db = sqlite3.connect(tmp_path / "ledger.sqlite")
    db.execute("CREATE TABLE recipes (name TEXT)")
    db.close()
    with pytest.raises(WrongUse, match="no ledger of this program"), open_ledger():
        pass


def test_a_file_that_is_no_database_is_refused(open_ledger: Callable[[], Ledger], tmp_path: Path) -> None:
    (tmp_path / "ledger.sqlite").write_text("not a database, but long enough to be looked at " * 40)
    with pytest.raises(WrongUse, match="can't be opened as a ledger"), open_ledger():
        pass


def test_a_second_run_is_turned_away_at_once_and_told_who_holds_it(
    open_ledger: Callable[[], Ledger], tmp_path: Path
) -> None:
    with held_elsewhere(tmp_path / "ledger.sqlite") as holder:
        with (
            pytest.raises(RunAgain, match=f"`careplan-bridge sync` .process {holder.pid} on .*since 2026-03-02T12:00"),
            open_ledger(),
        ):
            pass
        holder.kill()
        holder.wait()


def test_the_lock_of_a_killed_run_is_taken_over(open_ledger: Callable[[], Ledger], tmp_path: Path, plan: Plan) -> None:
    with held_elsewhere(tmp_path / "ledger.sqlite") as holder:
        os.kill(holder.pid, signal.SIGKILL)
        holder.wait()
    with open_ledger() as ledger:
        ledger.add_plan(plan)
        assert ledger.plan(plan.id) == plan


@pytest.mark.usefixtures("ledger")
def test_reading_goes_on_while_another_run_writes(plan: Plan, tmp_path: Path) -> None:
    with reading(tmp_path / "ledger.sqlite") as reader:
        assert reader.plans() == (plan,)
        with pytest.raises(RunAgain, match="for reading only"):
            reader.add_plan(plan)


def test_reading_a_ledger_that_is_not_there_makes_none(tmp_path: Path) -> None:
    with pytest.raises(WrongUse, match="there is no ledger at"), reading(tmp_path / "none.sqlite"):
        pass
    assert not list(tmp_path.iterdir())


def test_a_run_that_lost_the_lock_without_dying_writes_nothing_more(ledger: Ledger, plan: Plan, tmp_path: Path) -> None:
    (tmp_path / "ledger.sqlite-lock").unlink()  # as a network drive does that forgets its locks
    with held_elsewhere(tmp_path / "ledger.sqlite") as holder:
        with pytest.raises(RunAgain, match=f"lost the ledger.*process {holder.pid}"):
            ledger.bind_care_plan(plan.id, "CarePlan/1")
        holder.kill()
        holder.wait()


def held_elsewhere(path: Path) -> "subprocess.Popen[str]":
    """Another process that holds the ledger by the time this returns."""
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert holder.stdout is not None
    assert holder.stdout.readline() == "held\n"
    return holder
