"""What every part of the ledger stands on: one connection, transactions that join, moments and documents as stored."""

import sqlite3
from collections.abc import Callable, Generator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from careplan_bridge.errors import RunAgain
from careplan_bridge.ledger.lock import WriterLock
from careplan_bridge.ledger.troubles import in_sentences
from careplan_bridge.model.digest import canonical

T = TypeVar("T")


class Store:
    """Reads and writes of one open ledger; the parts (Plans, Decisions, ...) add their own tables' questions and answers."""

    _path: Path
    _db: sqlite3.Connection
    _lock: WriterLock | None
    _now: Callable[[], datetime]

    @contextmanager
    def together(self) -> Generator[None]:
        """All writes inside succeed or fail as one. Blocks inside a block join the outer one.

        Raises RunAgain where the disk refuses, where this ledger was opened for reading, or where another run took the lock over.
        """
        if self._db.in_transaction:
            yield
            return
        if self._lock is None:
            raise RunAgain("the ledger was opened for reading only; nothing was written")
        with in_sentences(self._path):
            self._db.execute("BEGIN IMMEDIATE")
        try:
            self._lock.refuse_if_lost(self._db)
            yield
            with in_sentences(self._path):
                self._db.execute("COMMIT")
        except BaseException:
            if self._db.in_transaction:  # on a full disk SQLite may have rolled back already
                self._db.execute("ROLLBACK")
            raise

    @contextmanager
    def at_one_moment(self) -> Generator[None]:
        """All reads inside see the ledger as it is now, whatever another run writes meanwhile."""
        with in_sentences(self._path):
            self._db.execute("BEGIN")
            try:
                yield
            finally:
                self._db.execute("ROLLBACK")

    def _write(self, sql: str, *values: Any) -> int:
        """Run one writing statement in a transaction; the row id of an insert."""
        with self.together(), in_sentences(self._path):
            return self._db.execute(sql, values).lastrowid or 0

    def _row(self, sql: str, *values: Any) -> sqlite3.Row | None:
        with in_sentences(self._path):
            return self._db.execute(sql, values).fetchone()

    def _rows(self, sql: str, *values: Any) -> list[sqlite3.Row]:
        with in_sentences(self._path):
            return self._db.execute(sql, values).fetchall()

    def _moment(self) -> str:
        return moment_text(self._now())


def moment_text(moment: datetime) -> str:
    """A moment as stored: ISO 8601 in UTC, so that text order is the order of time."""
    return moment.astimezone(UTC).isoformat(timespec="microseconds")


def moment(text: str) -> datetime:
    return datetime.fromisoformat(text)


def packed(document: Any) -> bytes:
    """A document as stored: canonical JSON, numbers with the digits they came with."""
    return canonical(document)


def unpacked(data: bytes, kind: type[T]) -> T:
    return msgspec.json.decode(data, type=kind)
