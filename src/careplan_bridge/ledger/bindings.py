"""Which endpoint, patient and resources a plan belongs to, and from where its readings come."""

from careplan_bridge.errors import WrongUse
from careplan_bridge.ledger.records import Binding
from careplan_bridge.ledger.store import Store
from careplan_bridge.model.endpoint import Endpoint


class Bindings(Store):
    def bind(self, plan_id: str, endpoint: Endpoint, patient: str, readings: str | None = None) -> Binding:
        """Bind a plan to an endpoint and a patient there; doing it again changes nothing. `readings`: see Binding.

        Raises WrongUse where it is bound to another endpoint or patient, or reads from elsewhere: a plan lives in one place.
        """
        with self.together():
            known = self.binding(plan_id)
            if known is None:
                self._write(
                    "INSERT INTO bindings (plan, endpoint, base, patient, bound, readings) VALUES (?, ?, ?, ?, ?, ?)",
                    plan_id, endpoint.name, endpoint.base, patient, self._moment(), readings,
                )  # fmt: skip
            else:
                _refuse_other(known, endpoint, patient, readings)
        return self.binding(plan_id) or Binding(
            plan=plan_id, endpoint=endpoint.name, base=endpoint.base, patient=patient, readings=readings
        )

    def rebind(self, plan_id: str, patient: str) -> None:
        """The record replaced a plan's Patient by another, and a named person said which."""
        self._write("UPDATE bindings SET patient = ? WHERE plan = ?", patient, plan_id)

    def binding(self, plan_id: str) -> Binding | None:
        """Where a plan lives, with all references known so far; None before its first push."""
        row = self._row("SELECT * FROM bindings WHERE plan = ?", plan_id)
        if row is None:
            return None
        # A ledger that is opened for reading may have been last written before there was a column for readings.
        kept = {name: row[name] for name in row.keys() if name != "bound"}  # noqa: SIM118 - a row is no mapping
        goals = self._rows("SELECT identifier, reference FROM goals WHERE plan = ? ORDER BY identifier", plan_id)
        return Binding(**kept, goals={goal["identifier"]: goal["reference"] for goal in goals})

    def bind_care_plan(self, plan_id: str, reference: str) -> None:
        """Remember the CarePlan of a plan, as `CarePlan/ID`."""
        self._write("UPDATE bindings SET care_plan = ? WHERE plan = ?", reference, plan_id)

    def bind_goal(self, plan_id: str, identifier: str, reference: str) -> None:
        """Remember the Goal that carries this identifier value, as `Goal/ID`."""
        self._write(
            "INSERT INTO goals VALUES (?, ?, ?) ON CONFLICT (plan, identifier) DO UPDATE SET reference = excluded.reference",
            plan_id, identifier, reference,
        )  # fmt: skip


def _refuse_other(known: Binding, endpoint: Endpoint, patient: str, readings: str | None) -> None:
    if known.base != endpoint.base:
        raise WrongUse(
            f"plan {known.plan} lives on endpoint {known.endpoint}, not on {endpoint.name}; name that endpoint"
        )
    if known.readings != readings:
        raise WrongUse(
            f"the readings of plan {known.plan} come from another server than this endpoint file says; "
            "name the file that it was pushed with"
        )
    if known.patient != patient:
        raise WrongUse(
            f"plan {known.plan} was pushed for another patient of this endpoint; a plan never changes its patient"
        )
