"""What the `ledger` commands say of a ledger: its verification, a purge, and the lines of an export."""

from datetime import datetime
from typing import Any, Literal

from msgspec import Struct

from careplan_bridge.model.cautions import CAUTIONS
from careplan_bridge.model.check import CriteriaCheck
from careplan_bridge.model.course import Event
from careplan_bridge.model.decision import Decision
from careplan_bridge.model.plan import Plan


class LedgerFault(Struct, frozen=True, kw_only=True):
    """`where` names a table's row or a link of the chain."""

    where: str
    what: str


class Verification(Struct, frozen=True, kw_only=True):
    """`head` is the chain's last link as `PLACE:DIGEST`, None before there is a chain; `chain_since` is when that began, as stored;
    `rows` counts rows by table.

    `open_writes` and `waiting_decisions` are no faults: the next run goes on with them, or a person does.
    """

    document: Literal["ledger-verification"] = "ledger-verification"
    version: Literal[1] = 1
    cautions: tuple[str, ...] = CAUTIONS
    tables_version: int
    head: str | None
    chain_since: str | None
    rows: dict[str, int]
    open_writes: int
    waiting_decisions: int
    faults: tuple[LedgerFault, ...]
    notes: tuple[str, ...]


class Purge(Struct, frozen=True, kw_only=True):
    """`removed` counts rows by table; with `dry_run` they are still there."""

    document: Literal["ledger-purge"] = "ledger-purge"
    version: Literal[1] = 1
    cautions: tuple[str, ...] = CAUTIONS
    plan: str
    reason: str
    dry_run: bool
    removed: dict[str, int]
    kept: tuple[str, ...]


class ExportHeader(Struct, frozen=True, kw_only=True):
    """First line of an export. `plans` is how many there are in it; `head` is that of the chain."""

    document: Literal["ledger-export"] = "ledger-export"
    version: Literal[1] = 1
    cautions: tuple[str, ...] = CAUTIONS
    made: datetime
    tables_version: int
    head: str | None
    plans: int


class ExportedPlan(Struct, frozen=True, kw_only=True, tag_field="line", tag="plan"):
    """One revision of a plan. The course stands in its own lines. `endpoint` and what follows: where the plan lives, if anywhere.

    `readings`: the base of the server that its readings come from, where that is not `base`.
    """

    plan: str
    revision: int
    added: datetime
    digest: str
    document: Plan
    endpoint: str | None
    base: str | None
    patient: str | None
    readings: str | None = None
    care_plan: str | None
    goals: dict[str, str]


class ExportedEvent(Struct, frozen=True, kw_only=True, tag_field="line", tag="event"):
    """One entry of a plan's course, in its order: `place` counts from 0."""

    plan: str
    place: int
    added: datetime
    entry: Event


class ExportedCheck(Struct, frozen=True, kw_only=True, tag_field="line", tag="check"):
    """A criteria check that a decision is bound to."""

    plan: str
    digest: str
    kept: datetime
    document: CriteriaCheck


class ExportedDecision(Struct, frozen=True, kw_only=True, tag_field="line", tag="decision"):
    plan: str
    state: str
    why: str
    changed: datetime
    document: Decision


class ExportedIntent(Struct, frozen=True, kw_only=True, tag_field="line", tag="intent"):
    """One write. `body` is the text that was sent, byte for byte; `digest` is SHA-256 over it."""

    number: int
    subject: str
    decision: str | None
    step: str
    kind: str
    target: str
    guard: dict[str, Any]
    state: str
    says: str
    tries: int
    planned: datetime
    sent: datetime | None
    settled: datetime | None
    reference: str | None
    version: str | None
    digest: str
    body: str


class ExportedLink(Struct, frozen=True, kw_only=True, tag_field="line", tag="link"):
    """One link of the chain, as stored. `link` is SHA-256 over the JSON list [the link before it or "", and the six values above it]."""

    place: int
    kind: str
    plan: str
    entry: str
    content: str
    at: str
    link: str


class ExportEnd(Struct, frozen=True, kw_only=True, tag_field="line", tag="end"):
    """Last line: how many lines stand between it and the header. A file without it was cut off."""

    lines: int


ExportLine = ExportedPlan | ExportedEvent | ExportedCheck | ExportedDecision | ExportedIntent | ExportedLink | ExportEnd
