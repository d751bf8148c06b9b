"""One run writes to a ledger at a time.

The lock is SQLite's own, on a second, empty file beside the ledger: the operating system lets go of it when a process dies, however it
dies, so a dead run never blocks the next and a process id that was used again proves nothing. Who holds it, and since when, stands in
the ledger for the message. The fence counts holders: a run that lost the lock without dying (a network drive that forgot it) sees
another number and writes nothing more.
"""

import os
import socket
import sqlite3
from datetime import datetime
from pathlib import Path

from careplan_bridge.errors import RunAgain


class WriterLock:
    """Held from `take` to `release`; `fence` is this holder's number."""

    def __init__(self, path: Path) -> None:
        self._path = path.with_name(path.name + "-lock")
        self._held: sqlite3.Connection | None = None
        self.fence = 0

    def take(self, ledger: sqlite3.Connection, *, owner: str, since: datetime) -> None:
        """Take the lock without waiting, over from a dead run where need be. Raises RunAgain naming the run that holds it."""
        self._path.touch(mode=0o600)
        held = sqlite3.connect(self._path, timeout=0, isolation_level=None)
        try:
            held.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError:
            held.close()
            raise RunAgain(_who_holds(ledger)) from None
        self._held = held
        try:
            self._sign(ledger, owner, since)
        except BaseException:
            self.release(ledger)
            raise

    def release(self, ledger: sqlite3.Connection) -> None:
        """Let go; the row keeps the fence and loses the owner."""
        if self._held is None:
            return
        try:
            ledger.execute("UPDATE lock SET owner = '', host = '', pid = 0, since = '' WHERE fence = ?", (self.fence,))
        except sqlite3.DatabaseError:  # a full disk, say: the name stays, but nobody is kept out by it
            pass
        finally:
            self._held.close()
            self._held = None

    def refuse_if_lost(self, ledger: sqlite3.Connection) -> None:
        """Raise RunAgain if another run holds the ledger by now."""
        (fence,) = ledger.execute("SELECT fence FROM lock").fetchone()
        if self._held is None or fence != self.fence:
            raise RunAgain(f"this run lost the ledger: {_who_holds(ledger)}")

    def _sign(self, ledger: sqlite3.Connection, owner: str, since: datetime) -> None:
        ledger.execute(
            "UPDATE lock SET fence = fence + 1, owner = ?, host = ?, pid = ?, since = ?",
            (owner, socket.gethostname(), os.getpid(), since.isoformat(timespec="seconds")),
        )
        (self.fence,) = ledger.execute("SELECT fence FROM lock").fetchone()


def _who_holds(ledger: sqlite3.Connection) -> str:
    owner, host, pid, since = ledger.execute("SELECT owner, host, pid, since FROM lock").fetchone()
    if not owner:
        return "another run is just opening the ledger; run the same command again"
    return f"the ledger is in use by `{owner}` (process {pid} on {host}, since {since}); run the same command again when it has ended"
