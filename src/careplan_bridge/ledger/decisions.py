"""Decisions, their signatures, and the checks they are bound to. Once acknowledged, a decision is never lost (I9)."""

import sqlite3

from careplan_bridge.errors import DecisionRefused, OurFault
from careplan_bridge.ledger.chain import Chain
from careplan_bridge.ledger.records import DecisionRecord, DecisionState
from careplan_bridge.ledger.store import moment, packed, unpacked
from careplan_bridge.model.check import CriteriaCheck
from careplan_bridge.model.decision import Decision

_NEXT: dict[DecisionState, set[DecisionState]] = {
    "open": {"ready", "void"},
    "ready": {"writing", "parked"},
    "writing": {"written", "parked"},
    "parked": {"writing", "written"},
    "written": set(),
    "void": set(),
}
WAITING = ("open", "ready", "writing", "parked")


class Decisions(Chain):
    def save_decision(self, decision: Decision) -> DecisionRecord:
        """Keep a decision with the signatures it has; it is ready once no role is missing.

        A known decision may only gain signatures, and only while it is open: DecisionRefused otherwise. One that nobody signed, or
        that became void, may be decided anew: the same check and kind give the same id.
        """
        with self.together():
            known = self.decision(decision.id)
            if known is None:
                self._insert_decision(decision)
            elif _may_be_decided_anew(known, decision):
                self._replace_decision(decision)
            elif known.decision != decision:
                self._gain_signatures(known, decision)
        return self._record(decision.id)

    def decision(self, decision_id: str) -> DecisionRecord | None:
        row = self._row("SELECT document, state, why, changed FROM decisions WHERE id = ?", decision_id)
        return None if row is None else _record(row)

    def decisions(self, plan_id: str) -> tuple[DecisionRecord, ...]:
        """All decisions about a plan, in the order in which they were decided."""
        rows = self._rows("SELECT document, state, why, changed FROM decisions WHERE plan = ? ORDER BY rowid", plan_id)
        return tuple(map(_record, rows))

    def waiting(self, plan_id: str) -> tuple[DecisionRecord, ...]:
        """Decisions about a plan that are not at their end: signatures are missing, or they are still to be written."""
        return tuple(record for record in self.decisions(plan_id) if record.state in WAITING)

    def move_decision(self, decision_id: str, state: DecisionState, why: str = "") -> None:
        """Move a decision on. Raises OurFault for a step that would lose or repeat it (ready or later is never made void)."""
        with self.together():
            record = self._record(decision_id)
            if state not in _NEXT[record.state] | {record.state}:
                raise OurFault(f"decision {decision_id} is {record.state} and can't become {state}")
            self._write(
                "UPDATE decisions SET state = ?, why = ?, changed = ? WHERE id = ?",
                state,
                why,
                self._moment(),
                decision_id,
            )
            self._chain("decision", record.decision.plan, decision_id)

    def void_decision(self, decision_id: str, why: str) -> None:
        """End a decision whose ground has changed before it was fully signed, e.g. because something new was measured."""
        self.move_decision(decision_id, "void", why)

    def keep_check(self, check: CriteriaCheck) -> None:
        """Keep the check that a decision is bound to, under its digest; the last one counts: a signature's is made, not read."""
        with self.together():
            self._write(
                "INSERT INTO checks VALUES (?, ?, ?, ?) ON CONFLICT (digest) DO UPDATE SET document = excluded.document",
                check.digest, check.plan, packed(check), self._moment(),
            )  # fmt: skip
            self._chain("check", check.plan, check.digest)

    def check(self, digest: str) -> CriteriaCheck | None:
        row = self._row("SELECT document FROM checks WHERE digest = ?", digest)
        return None if row is None else unpacked(row["document"], CriteriaCheck)

    def _record(self, decision_id: str) -> DecisionRecord:
        record = self.decision(decision_id)
        if record is None:
            raise DecisionRefused(f"decision {decision_id} is not in this ledger; name the ledger it was decided in")
        return record

    def _insert_decision(self, decision: Decision) -> None:
        self._write(
            "INSERT INTO decisions (id, plan, document, changed, state) VALUES (?, ?, ?, ?, ?)",
            decision.id, decision.plan, packed(decision), self._moment(), _state_of(decision),
        )  # fmt: skip
        self._chain("decision", decision.plan, decision.id)

    def _gain_signatures(self, known: DecisionRecord, decision: Decision) -> None:
        _refuse_other_content(known, decision)
        self._replace_decision(decision)

    def _replace_decision(self, decision: Decision) -> None:
        self._write(
            "UPDATE decisions SET document = ?, state = ?, why = '', changed = ? WHERE id = ?",
            packed(decision), _state_of(decision), self._moment(), decision.id,
        )  # fmt: skip
        self._chain("decision", decision.plan, decision.id)


def _state_of(decision: Decision) -> DecisionState:
    return "open" if decision.missing_roles else "ready"


def _may_be_decided_anew(known: DecisionRecord, decision: Decision) -> bool:
    if known.state == "void":
        return not decision.signatures  # those it had were given on other ground
    return known.state == "open" and not known.decision.signatures


def _refuse_other_content(known: DecisionRecord, decision: Decision) -> None:
    if known.state != "open":
        raise DecisionRefused(f"decision {decision.id} is {known.state} and takes no more signatures")
    had = known.decision.signatures
    if decision.signatures[: len(had)] != had or _unsigned(decision) != _unsigned(known.decision):
        raise DecisionRefused(
            f"decision {decision.id} differs from the one in the ledger; decide anew instead of editing it"
        )


def _unsigned(decision: Decision) -> bytes:
    fields = {name: getattr(decision, name) for name in decision.__struct_fields__ if name != "signatures"}
    return packed(fields)


def _record(row: sqlite3.Row) -> DecisionRecord:
    return DecisionRecord(
        decision=unpacked(row["document"], Decision), state=row["state"], why=row["why"], changed=moment(row["changed"])
    )
