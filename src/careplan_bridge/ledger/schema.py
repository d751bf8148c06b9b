"""The tables, and what to do with a file that has other ones."""

import sqlite3

from careplan_bridge.errors import WrongUse
from careplan_bridge.ledger import chain, facts

APPLICATION = 0x43504C47  # marks the file as a ledger for anyone who looks (`file`, SQLite's application_id)
VERSION = 4

_FIRST = """
CREATE TABLE lock (
  only INTEGER PRIMARY KEY CHECK (only = 1), fence INTEGER NOT NULL,
  owner TEXT NOT NULL, host TEXT NOT NULL, pid INTEGER NOT NULL, since TEXT NOT NULL);
INSERT INTO lock VALUES (1, 0, '', '', 0, '');

CREATE TABLE plans (id TEXT PRIMARY KEY, added TEXT NOT NULL);
CREATE TABLE revisions (
  plan TEXT NOT NULL REFERENCES plans(id), revision INTEGER NOT NULL,
  digest TEXT NOT NULL, document BLOB NOT NULL, added TEXT NOT NULL, PRIMARY KEY (plan, revision));
CREATE TABLE events (
  plan TEXT NOT NULL REFERENCES plans(id), place INTEGER NOT NULL,
  event BLOB NOT NULL, added TEXT NOT NULL, PRIMARY KEY (plan, place));
CREATE TRIGGER revisions_never_change BEFORE UPDATE ON revisions
  BEGIN SELECT RAISE(ABORT, 'a revision of a plan never changes'); END;
CREATE TRIGGER events_are_only_added BEFORE UPDATE ON events
  BEGIN SELECT RAISE(ABORT, 'the course of a plan is only added to'); END;

CREATE TABLE bindings (
  plan TEXT PRIMARY KEY REFERENCES plans(id), endpoint TEXT NOT NULL, base TEXT NOT NULL,
  patient TEXT NOT NULL, care_plan TEXT, bound TEXT NOT NULL);
CREATE TABLE goals (
  plan TEXT NOT NULL REFERENCES bindings(plan), identifier TEXT NOT NULL, reference TEXT NOT NULL,
  PRIMARY KEY (plan, identifier));

CREATE TABLE checks (
  digest TEXT PRIMARY KEY, plan TEXT NOT NULL REFERENCES plans(id), document BLOB NOT NULL, kept TEXT NOT NULL);
CREATE TABLE decisions (
  id TEXT PRIMARY KEY, plan TEXT NOT NULL REFERENCES plans(id), document BLOB NOT NULL, changed TEXT NOT NULL,
  state TEXT NOT NULL CHECK (state IN ('open', 'ready', 'writing', 'written', 'void', 'parked')),
  why TEXT NOT NULL DEFAULT '');
CREATE INDEX decisions_by_plan ON decisions(plan, state);

CREATE TABLE intents (
  id INTEGER PRIMARY KEY AUTOINCREMENT, subject TEXT NOT NULL, decision TEXT REFERENCES decisions(id),
  step TEXT NOT NULL, kind TEXT NOT NULL CHECK (kind IN ('create', 'update', 'transaction')), target TEXT NOT NULL,
  guard BLOB NOT NULL, digest TEXT NOT NULL, body BLOB NOT NULL,
  state TEXT NOT NULL CHECK (state IN ('planned', 'sent', 'unknown', 'confirmed', 'conflict', 'refused', 'parked')),
  reference TEXT, version TEXT, says TEXT NOT NULL DEFAULT '', tries INTEGER NOT NULL DEFAULT 0,
  planned TEXT NOT NULL, sent TEXT, settled TEXT);
CREATE INDEX intents_by_subject ON intents(subject, state);

CREATE TABLE seen (
  base TEXT NOT NULL, reference TEXT NOT NULL, version TEXT NOT NULL, managed BLOB NOT NULL, at TEXT NOT NULL,
  PRIMARY KEY (base, reference));
CREATE TABLE retrievals (plan TEXT NOT NULL REFERENCES plans(id), at TEXT NOT NULL, header BLOB NOT NULL);
CREATE INDEX retrievals_by_plan ON retrievals(plan, at);
"""


# What brings a file from one version to the next. A new file goes the same way, so that old and new ones have the same tables.
_STEPS = {
    0: _FIRST,
    1: "CREATE TABLE purges (plan TEXT PRIMARY KEY, reason TEXT NOT NULL, at TEXT NOT NULL);" + chain.TABLE,
    2: facts.TABLE,
    3: "ALTER TABLE bindings ADD COLUMN readings TEXT;",
}


def prepare(db: sqlite3.Connection, name: str, at: str) -> None:
    """Make the tables in an empty file, or those that an older one lacks; refuse a file that is not a ledger, or a newer one.

    Runs inside one exclusive transaction, so that two first runs at once make one set of tables. `at` is when the chain starts.
    """
    db.execute("BEGIN IMMEDIATE")
    try:
        _create_or_refuse(db, name, at)
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:  # on a full disk SQLite may have rolled back already
            db.execute("ROLLBACK")
        raise


def refuse_other(db: sqlite3.Connection, name: str) -> None:
    """Raise WrongUse unless the file is a ledger whose tables this program knows."""
    if pragma(db, "application_id") != APPLICATION:
        raise WrongUse(f"{name} is no ledger of this program; name another file, or let a new one be made")
    if (version := pragma(db, "user_version")) > VERSION:
        raise WrongUse(
            f"{name} was written by a newer version of this program (its tables are version {version}, "
            f"this one knows {VERSION}); run the newer version"
        )


def tables(db: sqlite3.Connection) -> dict[str, str]:
    """Every table, index and trigger by its name, as SQLite describes it."""
    rows = db.execute("SELECT name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite_%'")
    return dict(rows.fetchall())


def tables_as_made() -> dict[str, str]:
    """What `tables` gives for a ledger that this program has just made."""
    db = sqlite3.connect(":memory:", isolation_level=None)
    try:
        _create_or_refuse(db, "", "")
        return tables(db)
    finally:
        db.close()


def pragma(db: sqlite3.Connection, name: str) -> int:
    return db.execute(f"PRAGMA {name}").fetchone()[0]


def _create_or_refuse(db: sqlite3.Connection, name: str, at: str) -> None:
    if _is_empty(db):
        db.execute(f"PRAGMA application_id = {APPLICATION}")
    refuse_other(db, name)
    _upgrade(db, pragma(db, "user_version"), at)


def _upgrade(db: sqlite3.Connection, found: int, at: str) -> None:
    for version in range(found, VERSION):
        for statement in _statements(_STEPS[version]):
            db.execute(statement)
    if found < 2:  # noqa: PLR2004 - the version that brought the chain
        chain.start(db, "new" if found == 0 else f"version {found}", at)
    db.execute(f"PRAGMA user_version = {VERSION}")


def _is_empty(db: sqlite3.Connection) -> bool:
    return db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0


def _statements(script: str) -> list[str]:
    # executescript would commit the transaction that must hold all of them, so they are told apart here.
    statements: list[str] = []
    pending = ""
    for line in script.splitlines(keepends=True):
        pending += line
        if sqlite3.complete_statement(pending):
            statements.append(pending)
            pending = ""
    return statements
