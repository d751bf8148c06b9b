"""Writes, set down before they are sent and settled when their fate is known (I5)."""

import hashlib
import sqlite3

import msgspec

from careplan_bridge.errors import OurFault
from careplan_bridge.ledger.records import Guard, Intent, IntentKind, IntentState
from careplan_bridge.ledger.store import Store, moment, packed

OPEN: tuple[IntentState, ...] = ("planned", "sent", "unknown", "conflict")
_NEXT: dict[IntentState, set[IntentState]] = {
    "planned": {"sent", "confirmed", "conflict", "refused", "parked"},
    "sent": {"confirmed", "unknown", "conflict", "refused", "planned"},
    "unknown": {"confirmed", "planned", "conflict", "parked"},
    "conflict": {"planned", "confirmed", "parked"},
    "refused": {"planned", "parked"},
    "parked": {"planned", "confirmed"},
    "confirmed": set(),
}


class Intents(Store):
    def intend(
        self,
        *,
        subject: str,
        step: str,
        kind: IntentKind,
        target: str,
        guard: Guard,
        body: bytes,
        decision: str | None = None,
    ) -> Intent:
        """Set down a write before it is sent; it is on disk when this returns.

        A write of the same step that is still open is planned anew in its place (its tries are kept), unless it is on its way:
        OurFault then, because one whose fate is not known must be settled first, never repeated.
        """
        with self.together():
            known = self._open_step(subject, decision, step)
            if known is None:
                known = self._insert_intent(subject, decision, step, kind, target, guard, body)
            else:
                self._plan_anew(known, kind, target, guard, body)
        return self.intent(known)

    def mark(
        self,
        intent_id: int,
        state: IntentState,
        *,
        reference: str | None = None,
        version: str | None = None,
        says: str = "",
    ) -> None:
        """Note what became of a write. Raises OurFault for a step that its present state does not allow."""
        with self.together():
            intent = self.intent(intent_id)
            if state not in _NEXT[intent.state]:
                raise OurFault(f"write {intent_id} ({intent.step}) is {intent.state} and can't become {state}")
            self._write(
                "UPDATE intents SET state = ?, reference = coalesce(?, reference), version = coalesce(?, version), says = ?, "
                "tries = tries + (? = 'sent'), sent = iif(? = 'sent', ?, sent), settled = iif(? IN ('planned', 'sent'), NULL, ?) "
                "WHERE id = ?",
                state, reference, version, says, state, state, self._moment(), state, self._moment(), intent_id,
            )  # fmt: skip

    def intent(self, intent_id: int) -> Intent:
        row = self._row("SELECT * FROM intents WHERE id = ?", intent_id)
        if row is None:
            raise OurFault(f"write {intent_id} is not in the ledger")
        return _intent(row)

    def intents(self, subject: str) -> tuple[Intent, ...]:
        """All writes for a plan (or a protocol's canonical), in the order in which they were planned."""
        return tuple(map(_intent, self._rows("SELECT * FROM intents WHERE subject = ? ORDER BY id", subject)))

    def open_intents(self, subject: str) -> tuple[Intent, ...]:
        """Writes that are not settled: still to be sent, on their way, of unknown fate, or in conflict."""
        # Not by way of `intents`: a plan that is years old has many settled writes, and their bodies.
        marks = ", ".join("?" * len(OPEN))
        rows = self._rows(f"SELECT * FROM intents WHERE subject = ? AND state IN ({marks}) ORDER BY id", subject, *OPEN)  # noqa: S608
        return tuple(map(_intent, rows))

    def refused(self, subject: str, decision: str | None, step: str) -> bool:
        """Was this step of a subject (and its decision) refused by the server, and not planned anew since?"""
        row = self._row(
            "SELECT 1 FROM intents WHERE subject = ? AND decision IS ? AND step = ? AND state = 'refused'",
            subject, decision, step,
        )  # fmt: skip
        return row is not None

    def reference_of(self, subject: str, step: str) -> str | None:
        """Where a write that came to its end left its resource; the last one of this step counts."""
        row = self._row(
            "SELECT reference FROM intents WHERE subject = ? AND step = ? AND state = 'confirmed' AND reference IS NOT NULL "
            "ORDER BY id DESC LIMIT 1",
            subject, step,
        )  # fmt: skip
        return None if row is None else row["reference"]

    def references(self, subject: str) -> frozenset[str]:
        """Every resource that a write of this subject left somewhere."""
        rows = self._rows("SELECT reference FROM intents WHERE subject = ? AND reference IS NOT NULL", subject)
        return frozenset(row["reference"] for row in rows)

    def _open_step(self, subject: str, decision: str | None, step: str) -> int | None:
        row = self._row(
            "SELECT id FROM intents WHERE subject = ? AND decision IS ? AND step = ? AND state != 'confirmed' ORDER BY id DESC LIMIT 1",
            subject, decision, step,
        )  # fmt: skip
        return None if row is None else row["id"]

    def _insert_intent(
        self, subject: str, decision: str | None, step: str, kind: IntentKind, target: str, guard: Guard, body: bytes
    ) -> int:
        return self._write(
            "INSERT INTO intents (subject, decision, step, kind, target, guard, digest, body, state, planned) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?, 'planned', ?)",
            subject, decision, step, kind, target, packed(guard), hashlib.sha256(body).hexdigest(), body, self._moment(),
        )  # fmt: skip

    def _plan_anew(self, intent_id: int, kind: IntentKind, target: str, guard: Guard, body: bytes) -> None:
        if (state := self.intent(intent_id).state) in {"sent", "unknown"}:
            raise OurFault(f"write {intent_id} is {state}: it must be found out before it is planned anew")
        self._write(
            "UPDATE intents SET kind = ?, target = ?, guard = ?, digest = ?, body = ?, state = 'planned', settled = NULL, says = '' "
            "WHERE id = ?",
            kind, target, packed(guard), hashlib.sha256(body).hexdigest(), body, intent_id,
        )  # fmt: skip


def _intent(row: sqlite3.Row) -> Intent:
    fields = dict(row)
    fields["guard"] = msgspec.json.decode(row["guard"], type=Guard)
    for name in ("planned", "sent", "settled"):
        fields[name] = moment(row[name]) if row[name] else None
    return Intent(**fields)
