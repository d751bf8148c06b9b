"""Plans in revisions that never change, and the course that is only added to."""

import msgspec

from careplan_bridge.errors import PlanRefused
from careplan_bridge.ledger.chain import Chain
from careplan_bridge.ledger.store import packed, unpacked
from careplan_bridge.model.course import Course, Event
from careplan_bridge.model.digest import digest
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.retrieval import RetrievalHeader


class Plans(Chain):
    def add_plan(self, plan: Plan) -> None:
        """Keep a revision of a plan; keeping the same one again changes nothing.

        The course of a plan that is new here is taken over from its document. Of a known plan it must be the beginning of the
        course in the ledger. Raises PlanRefused where the revision is known with other content, the course differs, or the plan was
        purged from this ledger.
        """
        with self.together():
            self._refuse_purged(plan)
            known = self._row("SELECT id FROM plans WHERE id = ?", plan.id)
            if known is None:
                self._write("INSERT INTO plans VALUES (?, ?)", plan.id, self._moment())
                self.append(plan.id, *plan.course.events)
            self._refuse_other_course(plan)
            self._keep_revision(plan)

    def plans(self) -> tuple[Plan, ...]:
        """The newest revision of every plan, with its course, in the order of their ids."""
        rows = self._rows("SELECT id FROM plans ORDER BY id")
        return tuple(plan for row in rows if (plan := self.plan(row["id"])) is not None)

    def plan(self, plan_id: str, revision: int | None = None) -> Plan | None:
        """A plan with its course to this day; the newest revision unless another is named; None if it is not here."""
        row = self._row(
            "SELECT document FROM revisions WHERE plan = ? AND revision = coalesce(?, revision) ORDER BY revision DESC LIMIT 1",
            plan_id, revision,
        )  # fmt: skip
        if row is None:
            return None
        return msgspec.structs.replace(unpacked(row["document"], Plan), course=self.course(plan_id))

    def course(self, plan_id: str) -> Course:
        """What happened to a plan so far; empty for a plan that is not here."""
        rows = self._rows("SELECT event FROM events WHERE plan = ? ORDER BY place", plan_id)
        return Course(events=tuple(msgspec.json.decode(row["event"], type=Event) for row in rows))

    def append(self, plan_id: str, *events: Event) -> None:
        """Add to a plan's course, in this order. An event that stands there already, equal in all parts, is not added again."""
        with self.together():
            known = list(self.course(plan_id).events)
            for event in events:
                if event in known:
                    continue
                self._write(
                    "INSERT INTO events VALUES (?, ?, ?, ?)", plan_id, len(known), packed(event), self._moment()
                )
                self._chain("event", plan_id, len(known))
                known.append(event)

    def note_retrieval(self, header: RetrievalHeader) -> None:
        """Keep the header of a retrieval (never its Observations)."""
        self._write("INSERT INTO retrievals VALUES (?, ?, ?)", header.plan, self._moment(), packed(header))

    def last_retrieval(self, plan_id: str) -> RetrievalHeader | None:
        # Not by its moment: the clock may have gone back since.
        row = self._row("SELECT header FROM retrievals WHERE plan = ? ORDER BY rowid DESC LIMIT 1", plan_id)
        return None if row is None else unpacked(row["header"], RetrievalHeader)

    def _refuse_purged(self, plan: Plan) -> None:
        if row := self._row("SELECT at FROM purges WHERE plan = ?", plan.id):
            raise PlanRefused(
                f"plan {plan.id} was closed, and purged from this ledger on {row['at'][:10]}; an episode that begins anew is another case"
            )

    def _refuse_other_course(self, plan: Plan) -> None:
        events = self.course(plan.id).events
        if plan.course.events != events[: len(plan.course.events)]:
            raise PlanRefused(
                f"the course in the document of plan {plan.id} differs from the one in the ledger; "
                "what happened to a plan is only added to: use the ledger it was written in"
            )

    def _keep_revision(self, plan: Plan) -> None:
        bare = msgspec.structs.replace(plan, course=Course())
        known = self._row("SELECT digest FROM revisions WHERE plan = ? AND revision = ?", plan.id, plan.revision)
        if known is None:
            self._write(
                "INSERT INTO revisions VALUES (?, ?, ?, ?, ?)",
                plan.id,
                plan.revision,
                digest(bare),
                packed(bare),
                self._moment(),
            )
            self._chain("revision", plan.id, plan.revision)
        elif known["digest"] != digest(bare):
            raise PlanRefused(
                f"revision {plan.revision} of plan {plan.id} is in the ledger with other content; "
                "a revision never changes: draft the change as the next revision"
            )
