"""What every part of the ledger stands on: one connection, transactions that join, moments and documents as stored."""

import sqlite3
from collections.abc import Callable, Generator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any, TypeVar

import msgspec

from careplan_bridge.errors import OurFault, RunAgain
from careplan_bridge.ledger.lock import WriterLock
from careplan_bridge.model.digest import canonical

T = TypeVar("T")


class Store:
    """Reads and writes of one open ledger; the parts (Plans, Decisions, ...) add their own tables' questions and answers."""

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
        with _sentences():
            self._db.execute("BEGIN IMMEDIATE")
        try:
            self._lock.refuse_if_lost(self._db)
            yield
        except BaseException:
            self._db.execute("ROLLBACK")
            raise
        with _sentences():
            self._db.execute("COMMIT")

    def _write(self, sql: str, *values: Any) -> int:
        """Run one writing statement in a transaction; the row id of an insert."""
        with self.together(), _sentences():
            return self._db.execute(sql, values).lastrowid or 0

    def _row(self, sql: str, *values: Any) -> sqlite3.Row | None:
        return self._db.execute(sql, values).fetchone()

    def _rows(self, sql: str, *values: Any) -> list[sqlite3.Row]:
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


@contextmanager
def _sentences() -> Generator[None]:
    try:
        yield
    except sqlite3.OperationalError as error:  # disk full, disk gone, file locked by a program that is not ours
        raise RunAgain(
            f"the ledger could not be written ({error}); once that is mended, the same command goes on"
        ) from error
    except sqlite3.IntegrityError as error:
        raise OurFault(f"the ledger refused an entry that contradicts it ({error})") from error
