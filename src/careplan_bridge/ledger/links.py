"""Does every row fit its last link, and every link itself and the one before it? The chain is told in `chain.py`."""

import sqlite3
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import NamedTuple

from careplan_bridge.ledger.chain import ROWS, Link
from careplan_bridge.model.digest import digest
from careplan_bridge.model.ledger import LedgerFault

Faults = Iterator[LedgerFault]


class _Entry(NamedTuple):
    kind: str
    plan: str
    entry: str

    def __str__(self) -> str:
        return (
            f"{self.kind} of plan {self.plan}"
            if self.kind == "purge"
            else f"{self.kind} {self.entry} of plan {self.plan}"
        )


def chain_faults(db: sqlite3.Connection, links: Sequence[Link]) -> Faults:
    """What was edited, removed, inserted or moved since its link was written, each by its name."""
    yield from _broken(links)
    rows, last = _rows(db), {_Entry(link.kind, link.plan, link.entry): link for link in links if link.kind != "start"}
    purged = {link.plan for link in links if link.kind == "purge"}
    for entry in sorted(rows.keys() | last.keys()):
        if what := _wrong(rows.get(entry), last.get(entry), gone=entry.kind != "purge" and entry.plan in purged):
            yield LedgerFault(where=str(entry), what=what)
    yield from _moved(links, [entry for entry in rows if entry.kind == "decision"])


def _broken(links: Sequence[Link]) -> Faults:
    previous, place = "", 0
    for link in links:
        if link.place != place + 1:
            yield LedgerFault(where=f"link {place + 1}", what="it is missing from the chain")
        elif not link.follows(previous):
            yield LedgerFault(where=f"link {link.place}", what="it was edited, or the link before it was")
        previous, place = link.link, link.place


def _wrong(content: str | None, link: Link | None, *, gone: bool) -> str:
    if gone:
        return "" if content is None else "it was inserted after its plan was purged"
    if link is None:
        return "it was inserted: no link of the chain is about it"
    if content is None:
        return f"it was removed: link {link.place} is about it"
    return "" if content == link.content else f"it was edited since link {link.place}"


def _moved(links: Sequence[Link], rows: Sequence[_Entry]) -> Faults:
    """Decisions whose rows stand in another order than their first links."""
    entries = [_Entry(link.kind, link.plan, link.entry) for link in links]
    linked = [entry for entry in dict.fromkeys(entries) if entry in set(rows)]
    places = {entry: place for place, entry in enumerate(linked)}
    for before, after in pairwise(entry for entry in rows if entry in places):
        if places[after] < places[before]:
            yield LedgerFault(
                where=str(after), what="it was moved: it was decided before the one that stands before it"
            )


def _rows(db: sqlite3.Connection) -> dict[_Entry, str]:
    """The digest of every row as it stands now, in the order of the tables."""
    found: dict[_Entry, str] = {}
    for kind, sql in ROWS.items():
        for row in db.execute(f"{sql} ORDER BY rowid"):
            found[_Entry(kind, str(row["plan"]), str(row["entry"]))] = digest(list(row))
    return found
