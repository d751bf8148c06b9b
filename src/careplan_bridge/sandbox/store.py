"""Versions of resources in SQLite, and the index they are found by.

Every statement runs under one lock, and a write is on disk before it is answered (WAL, synchronous FULL): a server
killed at any moment leaves whole transactions behind.
"""

import sqlite3
from collections.abc import Generator, Iterable, Sequence
from contextlib import contextmanager
from pathlib import Path
from threading import RLock
from typing import NamedTuple

from careplan_bridge.sandbox.indexing import LINK, Row
from careplan_bridge.sandbox.references import Link

_SCHEMA = """
CREATE TABLE IF NOT EXISTS identity (number INTEGER PRIMARY KEY AUTOINCREMENT);
CREATE TABLE IF NOT EXISTS version (
  key INTEGER PRIMARY KEY AUTOINCREMENT,
  type TEXT NOT NULL, id TEXT NOT NULL, number INTEGER NOT NULL,
  at INTEGER NOT NULL, verb TEXT NOT NULL, body BLOB,
  UNIQUE (type, id, number));
CREATE TABLE IF NOT EXISTS current (
  key INTEGER PRIMARY KEY, type TEXT NOT NULL, id TEXT NOT NULL,
  number INTEGER NOT NULL, at INTEGER NOT NULL, deleted INTEGER NOT NULL,
  UNIQUE (type, id));
CREATE TABLE IF NOT EXISTS indexed (
  key INTEGER NOT NULL, parameter TEXT NOT NULL, first TEXT, second TEXT, low INTEGER, high INTEGER);
CREATE INDEX IF NOT EXISTS indexed_by_value ON indexed (parameter, second, first);
CREATE INDEX IF NOT EXISTS indexed_by_key ON indexed (key, parameter);
"""


class Version(NamedTuple):
    """One version of one resource; body is None where it records a deletion."""

    type: str
    id: str
    number: int
    at: int
    verb: str
    body: bytes | None


class Condition(NamedTuple):
    """A piece of SQL over `current`, with its values."""

    sql: str
    values: tuple[object, ...] = ()


class Store:
    """Open one with a file, or with None for memory; close it in the end."""

    def __init__(self, file: Path | None) -> None:
        self._lock = RLock()
        self._db = sqlite3.connect(file or ":memory:", isolation_level=None, check_same_thread=False, timeout=30)
        self._db.execute("PRAGMA journal_mode = WAL")
        self._db.execute("PRAGMA synchronous = FULL")
        self._db.executescript(_SCHEMA)

    def close(self) -> None:
        with self._lock:
            self._db.close()

    def state(self) -> bytes:
        """Everything in it, to go back to later."""
        with self._lock:
            return self._db.serialize()

    def go_back_to(self, state: bytes) -> None:
        """Holds again what it held when `state` was taken; for one in memory only."""
        with self._lock:
            self._db.deserialize(state)

    @contextmanager
    def writing(self) -> Generator[None]:
        """All or nothing: commits at the end, rolls back on any exception; nests as one transaction."""
        with self._lock:
            if self._db.in_transaction:
                yield
                return
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield
            except BaseException:
                self._db.execute("ROLLBACK")
                raise
            self._db.execute("COMMIT")

    @contextmanager
    def reading(self) -> Generator[None]:
        with self._lock:
            yield

    def next_id(self) -> str:
        return str(self._db.execute("INSERT INTO identity DEFAULT VALUES").lastrowid)

    def newest(self, link: Link) -> Version | None:
        """The newest version, a deletion included."""
        return self._one("type = ? AND id = ? ORDER BY number DESC LIMIT 1", link)

    def version(self, link: Link, number: int) -> Version | None:
        return self._one("type = ? AND id = ? AND number = ?", (*link, number))

    def history(self, link: Link) -> list[Version]:
        """Newest first."""
        return list(self._versions("type = ? AND id = ? ORDER BY number DESC", link))

    def exists(self, link: Link) -> bool:
        sql = "SELECT 1 FROM current WHERE type = ? AND id = ? AND NOT deleted"
        with self._lock:
            return self._db.execute(sql, link).fetchone() is not None

    def pointing_at(self, link: Link) -> Link | None:
        """Some other resource that refers to this one."""
        sql = (
            "SELECT type, id FROM indexed JOIN current USING (key)"
            " WHERE parameter = ? AND first = ? AND second = ? AND NOT (type = ? AND id = ?) LIMIT 1"
        )
        with self._lock:
            row = self._db.execute(sql, (LINK, *link, *link)).fetchone()
        return Link(*row) if row else None

    def put(self, version: Version, rows: Iterable[Row]) -> None:
        """Stores a version as the current one, and its index rows instead of the former."""
        with self.writing():
            self._db.execute(
                "INSERT INTO version (type, id, number, at, verb, body) VALUES (?, ?, ?, ?, ?, ?)", version
            )
            key = self._make_current(version)
            self._db.execute("DELETE FROM indexed WHERE key = ?", (key,))
            self._db.executemany("INSERT INTO indexed VALUES (?, ?, ?, ?, ?, ?)", ((key, *row) for row in rows))

    def search(
        self, resource_type: str, where: Sequence[Condition], order: str = "current.key"
    ) -> list[tuple[str, int]]:
        """Ids and version numbers of the current resources of a type that fulfil every condition."""
        conditions = [Condition("type = ? AND NOT deleted", (resource_type,)), *where]
        sql = " AND ".join(f"({condition.sql})" for condition in conditions)
        values = [value for condition in conditions for value in condition.values]
        with self._lock:
            return self._db.execute(f"SELECT id, number FROM current WHERE {sql} ORDER BY {order}", values).fetchall()  # noqa: S608 - the pieces are ours, values are bound

    def _make_current(self, version: Version) -> int:
        sql = (
            "INSERT INTO current (type, id, number, at, deleted) VALUES (?, ?, ?, ?, ?)"
            " ON CONFLICT (type, id) DO UPDATE SET number = excluded.number, at = excluded.at,"
            " deleted = excluded.deleted RETURNING key"
        )
        values = (version.type, version.id, version.number, version.at, version.body is None)
        return int(self._db.execute(sql, values).fetchone()[0])

    def _one(self, where: str, values: Sequence[object]) -> Version | None:
        return next(iter(self._versions(where, values)), None)

    def _versions(self, where: str, values: Sequence[object]) -> list[Version]:
        sql = f"SELECT type, id, number, at, verb, body FROM version WHERE {where}"  # noqa: S608 - the pieces are ours, values are bound
        with self._lock:
            return [Version(*row) for row in self._db.execute(sql, values)]
