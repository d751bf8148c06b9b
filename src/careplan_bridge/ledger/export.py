"""Everything that should outlive this program, as plain lines: plans, courses, checks, decisions, writes, the chain."""

import sqlite3
from collections.abc import Callable, Iterator
from datetime import datetime
from typing import Any

import msgspec

from careplan_bridge.errors import WrongUse
from careplan_bridge.ledger import schema
from careplan_bridge.ledger.chain import head
from careplan_bridge.ledger.store import moment, unpacked
from careplan_bridge.model.check import CriteriaCheck
from careplan_bridge.model.course import Event
from careplan_bridge.model.decision import Decision
from careplan_bridge.model.ledger import (
    ExportedCheck,
    ExportedDecision,
    ExportedEvent,
    ExportedIntent,
    ExportedLink,
    ExportedPlan,
    ExportEnd,
    ExportHeader,
    ExportLine,
)
from careplan_bridge.model.plan import Plan


def export_lines(
    db: sqlite3.Connection, made: datetime, plan: str | None = None
) -> Iterator[ExportHeader | ExportLine]:
    """A header, the lines of all plans (or of one), and an end that says how many lines it should be.

    The chain is about all plans, so it is left out where one is asked for. Raises WrongUse where that one is not here.
    """
    plans = [row["id"] for row in db.execute("SELECT id FROM plans WHERE id = coalesce(?, id) ORDER BY id", (plan,))]
    if plan is not None and not plans:
        raise WrongUse(f"plan {plan} is not in this ledger")
    yield _header(db, made, len(plans))
    lines = 0
    for line in _lines(db, plans, chain=plan is None):
        lines += 1
        yield line
    yield ExportEnd(lines=lines)


def _header(db: sqlite3.Connection, made: datetime, plans: int) -> ExportHeader:
    has_chain = "chain" in schema.tables(db)
    at = "{}:{}".format(*head(db)) if has_chain else None
    return ExportHeader(made=made, tables_version=schema.pragma(db, "user_version"), head=at, plans=plans)


def _lines(db: sqlite3.Connection, plans: list[str], *, chain: bool) -> Iterator[ExportLine]:
    for plan in plans:
        for sql, line in _PARTS:
            yield from map(line, db.execute(sql, (plan,)))
    if chain:
        protocols = "SELECT * FROM intents WHERE subject NOT IN (SELECT id FROM plans) ORDER BY id"
        yield from map(_intent, db.execute(protocols))
    if chain and "chain" in schema.tables(db):
        yield from map(_link, db.execute("SELECT * FROM chain ORDER BY place"))


def _plan(row: sqlite3.Row) -> ExportedPlan:
    # A ledger that was last written before there was a column for readings has none to export.
    fields: dict[str, Any] = {name: row[name] for name in row.keys() if name in ExportedPlan.__struct_fields__}  # noqa: SIM118
    goals: dict[str, str] = msgspec.json.decode(fields.pop("goals"))
    document = unpacked(fields.pop("document"), Plan)
    fields["added"] = moment(row["added"])
    return ExportedPlan(document=document, goals=goals, **fields)


def _event(row: sqlite3.Row) -> ExportedEvent:
    entry: Event = msgspec.json.decode(row["event"], type=Event)
    return ExportedEvent(plan=row["plan"], place=row["place"], added=moment(row["added"]), entry=entry)


def _check(row: sqlite3.Row) -> ExportedCheck:
    document = unpacked(row["document"], CriteriaCheck)
    return ExportedCheck(plan=row["plan"], digest=row["digest"], kept=moment(row["kept"]), document=document)


def _decision(row: sqlite3.Row) -> ExportedDecision:
    document, changed = unpacked(row["document"], Decision), moment(row["changed"])
    return ExportedDecision(plan=row["plan"], state=row["state"], why=row["why"], changed=changed, document=document)


def _intent(row: sqlite3.Row) -> ExportedIntent:
    fields: dict[str, Any] = dict(row)
    number, guard, body = fields.pop("id"), msgspec.json.decode(fields.pop("guard")), fields.pop("body").decode()
    for name in ("planned", "sent", "settled"):
        fields[name] = moment(row[name]) if row[name] else None
    return ExportedIntent(number=number, guard=guard, body=body, **fields)


def _link(row: sqlite3.Row) -> ExportedLink:
    return ExportedLink(**dict[str, Any](row))


_REVISIONS = (
    "SELECT revisions.*, bindings.*, "
    "(SELECT json_group_object(identifier, reference) FROM goals WHERE goals.plan = revisions.plan) AS goals "
    "FROM revisions LEFT JOIN bindings USING (plan) WHERE plan = ? ORDER BY revision"
)
_PARTS: tuple[tuple[str, Callable[[sqlite3.Row], ExportLine]], ...] = (
    (_REVISIONS, _plan),
    ("SELECT * FROM events WHERE plan = ? ORDER BY place", _event),
    ("SELECT * FROM checks WHERE plan = ? ORDER BY rowid", _check),
    ("SELECT * FROM decisions WHERE plan = ? ORDER BY rowid", _decision),
    ("SELECT * FROM intents WHERE subject = ? ORDER BY id", _intent),
)
