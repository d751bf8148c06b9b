"""Is a ledger whole, and is it as this program left it? Reads only; finds every fault, not the first."""

import hashlib
import sqlite3
from collections.abc import Callable, Iterator
from itertools import pairwise
from typing import Any

import msgspec

from careplan_bridge.ledger import schema
from careplan_bridge.ledger.chain import Link, head
from careplan_bridge.ledger.decisions import WAITING
from careplan_bridge.ledger.intents import OPEN
from careplan_bridge.ledger.links import chain_faults
from careplan_bridge.model.course import Decided, Event
from careplan_bridge.model.decision import Decision
from careplan_bridge.model.ledger import LedgerFault, Verification

_COUNTED = ("plans", "revisions", "events", "checks", "decisions", "intents", "purges", "chain")
Faults = Iterator[LedgerFault]


def verify(db: sqlite3.Connection, expected_head: str | None = None) -> Verification:
    """`expected_head`: a head that was noted earlier, as `PLACE:DIGEST`; the chain must still go through it."""
    links = _links(db)
    return Verification(
        tables_version=schema.pragma(db, "user_version"),
        head="{}:{}".format(*head(db)) if links else None,
        chain_since=str(links[0].at) if links else None,
        rows={table: _count(db, table) for table in _COUNTED if table in schema.tables(db)},
        open_writes=_count(db, f"intents WHERE state IN {OPEN}"),
        waiting_decisions=_count(db, f"decisions WHERE state IN {WAITING}"),
        faults=tuple(_all_faults(db, links, expected_head)),
        notes=tuple(_notes(db, links)),
    )


def _all_faults(db: sqlite3.Connection, links: list[Link], expected_head: str | None) -> Faults:
    for part in (_file, _tables, _references, _revisions, _checks, _events, _decisions, _intents):
        yield from _guarded(part, db)
    if links:
        yield from chain_faults(db, links)
    if expected_head is not None and expected_head not in {f"{link.place}:{link.link}" for link in links}:
        yield _fault("chain", f"it does not go through {expected_head}: links were removed, or the chain was made anew")


def _guarded(part: Callable[[sqlite3.Connection], Faults], db: sqlite3.Connection) -> Faults:
    try:
        yield from part(db)
    except sqlite3.DatabaseError as error:
        yield _fault("file", f"a part of it cannot be read ({error})")


def _file(db: sqlite3.Connection) -> Faults:
    for (says,) in db.execute("PRAGMA integrity_check"):
        if says != "ok":
            yield _fault("file", says)


def _tables(db: sqlite3.Connection) -> Faults:
    if schema.pragma(db, "user_version") != schema.VERSION:
        return
    found, made = schema.tables(db), schema.tables_as_made()
    for name in sorted(found.keys() | made.keys()):
        if found.get(name) != made.get(name):
            yield _fault(name, "this table, index or trigger is not as the program makes it")


def _references(db: sqlite3.Connection) -> Faults:
    for table, row, parent, _ in db.execute("PRAGMA foreign_key_check"):
        yield _fault(f"{table}, row {row}", f"names an entry of {parent} that does not exist")


def _revisions(db: sqlite3.Connection) -> Faults:
    for row in db.execute("SELECT plan, revision, digest, document FROM revisions"):
        if _sha(row["document"]) != row["digest"]:
            yield _fault(f"revision {row['revision']} of plan {row['plan']}", "its document does not have its digest")


def _checks(db: sqlite3.Connection) -> Faults:
    for row in db.execute("SELECT digest, plan, document FROM checks"):
        check = _plain(row["document"])
        if (check.get("digest"), check.get("plan")) != (row["digest"], row["plan"]):
            yield _fault(f"check {row['digest']}", "its document does not belong to its digest and plan")


def _events(db: sqlite3.Connection) -> Faults:
    places: dict[str, int] = {}
    for row in db.execute("SELECT plan, place, event FROM events ORDER BY plan, place"):
        where = f"entry {row['place']} in the course of plan {row['plan']}"
        if _event(row["event"]) is None:
            yield _fault(where, "it is no entry of a course")
        if row["place"] != places.get(row["plan"], 0):
            yield _fault(where, "an entry before it is missing")
        places[row["plan"]] = row["place"] + 1


def _decisions(db: sqlite3.Connection) -> Faults:
    decided = _decided(db)
    for row in db.execute("SELECT id, plan, document, state FROM decisions"):
        yield from (_fault(f"decision {row['id']}", what) for what in _wrong_with(row, decided))


def _wrong_with(row: sqlite3.Row, decided: set[str]) -> Iterator[str]:
    decision: Decision | None = _decoded(row["document"], Decision)
    if decision is None or (decision.id, decision.plan) != (row["id"], row["plan"]):
        yield "its document is no decision, or is that of another one"
    elif row["state"] in ("ready", "writing", "written", "parked") and decision.missing_roles:
        yield f"it is {row['state']} without the signatures it needs"
    if row["state"] == "written" and row["id"] not in decided:
        yield "it is written, but the course of its plan does not hold it"


def _decided(db: sqlite3.Connection) -> set[str]:
    events = (_event(row["event"]) for row in db.execute("SELECT event FROM events"))
    return {event.decision for event in events if isinstance(event, Decided)}


def _intents(db: sqlite3.Connection) -> Faults:
    rows = "SELECT intents.*, decisions.state AS decided FROM intents LEFT JOIN decisions ON decisions.id = decision"
    for row in db.execute(rows):
        where = f"write {row['id']} ({row['step']})"
        if _sha(row["body"]) != row["digest"]:
            yield _fault(where, "its body does not have its digest")
        if row["decided"] == "written" and row["state"] in OPEN:
            yield _fault(where, f"it is {row['state']}, but its decision counts as written")


def _notes(db: sqlite3.Connection, links: list[Link]) -> Iterator[str]:
    if not links:
        version = schema.pragma(db, "user_version")
        yield f"its tables are version {version}, which had no chain; the next command that writes starts one"
    elif links[0].entry != "new":
        yield f"the chain starts when the tables came from {links[0].entry}: what stood there was taken over as it was found"
    for before, after in pairwise(links):
        if str(after.at) < str(before.at):  # text as stored sorts as time does
            yield f"the clock went back between links {before.place} and {after.place}; their order is that of the links"


def _links(db: sqlite3.Connection) -> list[Link]:
    if "chain" not in schema.tables(db):
        return []
    return [Link(*row) for row in db.execute("SELECT * FROM chain ORDER BY place")]


def _count(db: sqlite3.Connection, what: str) -> int:
    return db.execute(f"SELECT count(*) FROM {what}").fetchone()[0]  # noqa: S608 - names of ours


def _plain(data: object) -> dict[str, Any]:
    return _decoded(data, dict[str, Any]) or {}


def _event(data: object) -> Event | None:
    return _decoded(data, Event)


def _decoded(data: object, kind: Any) -> Any:
    try:
        return msgspec.json.decode(_bytes(data), type=kind)
    except (msgspec.DecodeError, UnicodeDecodeError):
        return None


def _sha(data: object) -> str:
    return hashlib.sha256(_bytes(data)).hexdigest()


def _bytes(data: object) -> bytes:
    # A column takes whatever kind of value is put there by hand.
    return data if isinstance(data, bytes) else str(data).encode()


def _fault(where: str, what: str) -> LedgerFault:
    return LedgerFault(where=where, what=what)
