"""A chain of digests over what must never change unseen: revisions, course entries, checks, decisions, purges.

Each link holds the digest of one row as it stood when it was written, and its own digest over that and the link before it. A row that
is edited, removed, inserted or moved behind this program's back no longer fits its last link, and a link that is edited no longer fits
itself or its neighbour. Whoever can write the file could make the whole chain anew; a head that was noted elsewhere finds that out.
"""

import sqlite3
from collections.abc import Sequence
from typing import Any, NamedTuple

from careplan_bridge.ledger.store import Store
from careplan_bridge.model.digest import digest

TABLE = """
CREATE TABLE chain (
  place INTEGER PRIMARY KEY, kind TEXT NOT NULL, plan TEXT NOT NULL, entry TEXT NOT NULL,
  content TEXT NOT NULL, at TEXT NOT NULL, link TEXT NOT NULL);
CREATE TRIGGER links_never_change BEFORE UPDATE ON chain
  BEGIN SELECT RAISE(ABORT, 'the chain is only added to'); END;
CREATE TRIGGER links_never_go BEFORE DELETE ON chain
  BEGIN SELECT RAISE(ABORT, 'the chain is only added to'); END;
"""
# Columns by name, in the order in which they were written for the first time: a table may gain one later.
ROWS = {
    "revision": "SELECT plan, revision AS entry, digest, document, added FROM revisions",
    "event": "SELECT plan, place AS entry, event, added FROM events",
    "check": "SELECT plan, digest AS entry, document, kept FROM checks",
    "decision": "SELECT plan, id AS entry, document, changed, state, why FROM decisions",
    "purge": "SELECT plan, 'purge' AS entry, reason, at FROM purges",
}


class Link(NamedTuple):
    """One link: which row it is about (`kind`, `plan`, `entry`), the digest of that row, when, and the link's own digest."""

    place: int
    kind: str
    plan: str
    entry: str
    content: str
    at: str
    link: str

    def follows(self, previous: str) -> bool:
        """Is its digest made over the link before it and over all that it says?"""
        return self.link == digest([previous, *self[:-1]])


class Chain(Store):
    def _chain(self, kind: str, plan: str, entry: object) -> None:
        """Add a link about a row that was just written, in the same transaction."""
        sql = f"SELECT * FROM ({ROWS[kind]}) WHERE plan = ? AND entry = ?"  # noqa: S608 - one of the above
        row = self._row(sql, plan, entry)
        if row is not None:
            add(self._db, kind, plan, str(entry), digest(list(row)), self._moment())


def start(db: sqlite3.Connection, reason: str, at: str) -> None:
    """Begin the chain; what stands in the tables already is taken over as it is found."""
    add(db, "start", "", reason, "", at)
    for kind, sql in ROWS.items():
        for row in db.execute(sql).fetchall():
            add(db, kind, row[0], str(row[1]), digest(list(row)), at)


def add(db: sqlite3.Connection, kind: str, plan: str, entry: str, content: str, at: str) -> None:
    place, previous = head(db)
    said: Sequence[Any] = (place + 1, kind, plan, entry, content, at)
    db.execute("INSERT INTO chain VALUES (?, ?, ?, ?, ?, ?, ?)", (*said, digest([previous, *said])))


def head(db: sqlite3.Connection) -> tuple[int, str]:
    """Place and digest of the last link; (0, "") before the first."""
    return db.execute("SELECT place, link FROM chain ORDER BY place DESC LIMIT 1").fetchone() or (0, "")
