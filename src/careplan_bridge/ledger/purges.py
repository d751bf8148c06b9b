"""Removing what the ledger holds of a closed plan, and what is left of it then."""

from careplan_bridge.errors import PlanRefused, WriteUnresolved, WrongUse
from careplan_bridge.ledger.bindings import Bindings
from careplan_bridge.ledger.decisions import Decisions
from careplan_bridge.ledger.intents import OPEN, Intents
from careplan_bridge.ledger.plans import Plans
from careplan_bridge.model.ledger import Purge

UNSETTLED = (*OPEN, "parked")
ACKNOWLEDGED = ("ready", "writing", "parked")
KEPT = (
    "the plan's id, this moment and the reason: the plan's document is not taken in again",
    "the links of the chain: ids, digests and moments, no clinical facts",
    "what lies elsewhere: the resources on the server, and backups, exports, pages and documents made before",
)
# In the order that references ask for. `seen` has no column for the plan: it goes by the resources that the plan has.
_TABLES = {
    "seen": "(base, reference) IN (SELECT base, care_plan FROM bindings WHERE plan = ?1 UNION "
    "SELECT base, reference FROM goals JOIN bindings USING (plan) WHERE plan = ?1 UNION "
    "SELECT base, intents.reference FROM intents JOIN bindings ON plan = subject WHERE subject = ?1)",
    "goals": "plan = ?1",
    "bindings": "plan = ?1",
    "retrievals": "plan = ?1",
    "intents": "subject = ?1",
    "decisions": "plan = ?1",
    "checks": "plan = ?1",
    "events": "plan = ?1",
    "revisions": "plan = ?1",
    "plans": "id = ?1",
}


class Purges(Plans, Bindings, Decisions, Intents):
    def purge(self, plan_id: str, reason: str, *, dry_run: bool = False) -> Purge:
        """Remove a closed plan with its course, checks, decisions and writes, from the disk too; counts and kept parts are told.

        Raises WrongUse where the plan is not here, PlanRefused where it is not closed, WriteUnresolved where a write or a signed
        decision has not come to its end.
        """
        self._refuse_unfinished(plan_id)
        removed = {table: self._count(table, plan_id) for table in _TABLES}
        if not dry_run:
            self._remove(plan_id, reason)
        return Purge(plan=plan_id, reason=reason, dry_run=dry_run, removed=removed, kept=KEPT)

    def _refuse_unfinished(self, plan_id: str) -> None:
        plan = self.plan(plan_id)
        if plan is None:
            raise WrongUse(f"plan {plan_id} is not in the ledger {self._path}; nothing was removed")
        if plan.course.status != "completed":
            raise PlanRefused(
                f"plan {plan_id} is not closed: its discharge was not signed and written; nothing was removed"
            )
        open_writes = [intent for intent in self.intents(plan_id) if intent.state in UNSETTLED]
        waiting = [record for record in self.decisions(plan_id) if record.state in ACKNOWLEDGED]
        if open_writes or waiting:
            raise WriteUnresolved(
                f"plan {plan_id} has {len(open_writes)} writes that are not settled and {len(waiting)} signed decisions that are "
                "not written; `sync` goes on with them. Nothing was removed"
            )

    def _remove(self, plan_id: str, reason: str) -> None:
        with self.together():
            for table, where in _TABLES.items():
                self._write(f"DELETE FROM {table} WHERE {where}", plan_id)  # noqa: S608 - names of ours
            self._write("INSERT INTO purges VALUES (?, ?, ?)", plan_id, reason, self._moment())
            self._chain("purge", plan_id, "purge")
        # What was removed is overwritten (secure_delete); the write-ahead log still holds it until it is emptied.
        self._rows("PRAGMA wal_checkpoint(TRUNCATE)")

    def _count(self, table: str, plan_id: str) -> int:
        row = self._row(f"SELECT count(*) AS found FROM {table} WHERE {_TABLES[table]}", plan_id)  # noqa: S608
        return row["found"] if row else 0
