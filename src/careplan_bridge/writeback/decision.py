"""A signed decision to a server, in an order that can be cut off anywhere and run again.

New Goals first, as `planned`, so that nothing points to nothing; then the CarePlan, guarded by its version: the commit point, with which
the decision enters the plan's course; then the states of the old Goals; Provenance last, when the versions are known. With transactions
all but Provenance are one Bundle. An acknowledged decision stays in the ledger until its end is confirmed (I9).
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property, partial

from msgspec.structs import replace

from careplan_bridge.endpoint.http import Client
from careplan_bridge.endpoint.untrusted import an_object, objects, text
from careplan_bridge.errors import BridgeError, DecisionRefused, InputRefused, WrongUse
from careplan_bridge.fhir.notes import noted
from careplan_bridge.fhir.plan_resources import goals
from careplan_bridge.fhir.progress import care_plan_after, goal_after, signed_at
from careplan_bridge.fhir.provenance import provenance
from careplan_bridge.fhir.record import record
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.ledger.records import Binding, DecisionRecord
from careplan_bridge.model.check import CriteriaCheck, CriterionResult
from careplan_bridge.model.course import Decided, Event, StageEntered
from careplan_bridge.model.decision import Decision
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.receipt import Receipt
from careplan_bridge.model.route import Route
from careplan_bridge.model.statement import criteria_words, sheet_code, statement
from careplan_bridge.writeback.converge import Also, Converge
from careplan_bridge.writeback.identity import Identity, Resource, by_identifier, reference_of
from careplan_bridge.writeback.patient import as_written, bound, refuse_changed_identity
from careplan_bridge.writeback.routes import known, refuse_unguarded, refuse_unknown
from careplan_bridge.writeback.writes import Create, Update, Write


def write_decision(
    client: Client, ledger: Ledger, plan: Plan, decision: Decision, check: CriteriaCheck, *, dry_run: bool = False
) -> Receipt:
    """Write a fully signed decision to its end; one that was cut off is gone on with, one that was written is left alone.

    Raises DecisionRefused for one that is not in the ledger, not fully signed, or bound to another check; WriteConflict where the record
    was changed elsewhere; AnswerLost where an answer is missing. The decision then waits in the ledger.
    """
    record = _acknowledged(ledger, decision, check)
    work = Converge(client, ledger, subject=plan.id, plan=plan.id, decision=decision.id, dry_run=dry_run)
    if record.state == "written":
        work.told.says.append("this decision was written already; nothing was changed")
        return work.told.receipt()
    binding = _bound(client, ledger, plan)
    plan = as_written(replace(plan, patient=binding.patient), bound(binding))
    refuse_unknown(client, known(client, ledger))
    way = work.locate.route
    if way.medium == "by-hand":
        return _parked(work, plan, decision, check)
    if way.medium == "resources":
        refuse_unguarded(way, client.endpoint)
    refuse_changed_identity(client, plan.patient)
    occasion = _Occasion(work, plan, decision, check, binding, way)
    if dry_run:
        occasion.write()
    else:
        _write_to_its_end(ledger, occasion)
    return work.told.receipt()


def _parked(work: Converge, plan: Plan, decision: Decision, check: CriteriaCheck) -> Receipt:
    """Nothing can be written here: a person enters the decision by hand and says so. It stays in the ledger until then (I9)."""
    name = work.client.endpoint.name
    code = sheet_code(statement(plan, decision, check))
    if not work.dry_run:
        work.ledger.move_decision(decision.id, "parked", why=f"{name} takes nothing that could hold it")
    work.told.says.append(
        f"{name} takes nothing that could hold this decision: it is parked. Enter it in the record by hand from sheet {code} "
        f"(`sign --to SHEET` writes it), then `respond {decision.id} transcribed {code}`"
    )
    return work.told.receipt()


def _write_to_its_end(ledger: Ledger, occasion: "_Occasion") -> None:
    decision = occasion.decision.id
    ledger.move_decision(decision, "writing")
    try:
        occasion.write()
    except BridgeError as error:
        ledger.move_decision(decision, "writing", why=str(error))
        raise
    ledger.move_decision(decision, "written")


def events(decision: Decision) -> tuple[Event, ...]:
    """What a written decision adds to the course of its plan; the same decision always gives equal events."""
    at = signed_at(decision)
    by = tuple(signature.person for signature in decision.signatures)
    decided = Decided(
        at=at, decision=decision.id, kind=decision.kind, stage=decision.stage, by=by, reason=decision.reason
    )
    return (
        (decided, StageEntered(at=at, stage=decision.to_stage, decision=decision.id))
        if decision.to_stage
        else (decided,)
    )


@dataclass
class _Occasion:
    """One decision under way to one server."""

    work: Converge
    plan: Plan
    decision: Decision
    check: CriteriaCheck
    binding: Binding
    way: Route

    def write(self) -> None:
        if self.way.medium != "resources":
            self._write_record()
            return
        if self.work.as_one(self._is_committed, self._outstanding, also=self._commit):
            self.work.told.says.append("Provenance follows when the versions are known")
            return
        places = {write.place: self.work.create(write, self._bind(write.identity.name)) for write in self._new_goals}
        self.work.update(self.plan.id, self._care_plan, self._to_care_plan(places), also=lambda _: self._commit())
        self._note_late()
        for name, reference, change in self._old_goals:
            self.work.update(name, reference, change)
        self._record_provenance()

    def _write_record(self) -> None:
        """One resource instead of CarePlan and Goals; that it is there is the commit."""
        lines = statement(self.plan, self.decision, self.check)
        resource = record(self.way.medium, self.plan, self.decision, lines)
        self.work.create(Create(by_identifier(resource), resource), lambda _: self._commit())
        if self.binding.care_plan:
            self.work.told.says.append(
                f"{self.work.client.endpoint.name} takes no more changes of {self.binding.care_plan}: it stands as it was, and no longer "
                "says what is so; see to it in the record by hand"
            )

    @cached_property
    def _new_goals(self) -> tuple[Create, ...]:
        stage = self.decision.to_stage if self.way.goal_states != "note-only" else None
        resources = goals(self.plan, stage, us_core=self._us_core) if stage else ()
        return tuple(Create(by_identifier(goal), goal) for goal in resources)

    @cached_property
    def _old_goals(self) -> tuple[tuple[str, str, Callable[[Resource], Resource]], ...]:
        return tuple(self._goals_of_the_stage()) if self.way.goal_states == "goals" else ()

    def _goals_of_the_stage(self) -> Iterator[tuple[str, str, Callable[[Resource], Resource]]]:
        results = {result.id: result for result in self.check.criteria}
        stage = self.plan.stage(self.decision.stage)
        for goal, criterion in zip(goals(self.plan, stage.id, us_core=self._us_core), stage.criteria, strict=True):
            identity = by_identifier(goal)
            yield identity.name, self._goal_reference(identity, goal), self._to_goal(results[criterion.id])

    def _to_goal(self, result: CriterionResult) -> Callable[[Resource], Resource]:
        zone, server = self.plan.clinic.timezone, self.binding.readings
        return lambda stored: goal_after(stored, self.decision, result, zone=zone, server=server)

    def _goal_reference(self, identity: Identity, goal: Resource) -> str:
        if known := self.binding.goals.get(identity.name):
            return known
        found = self.work.locate.found(Create(identity, goal))
        if found is None:
            raise DecisionRefused(f"Goal {identity.name} is not on the server; push the plan again, then sign again")
        return reference_of(found.resource)

    def _is_committed(self) -> bool:
        """Does the CarePlan say what was decided? It can't while a Goal that it will refer to is missing."""
        places = self._found_places()
        return len(places) == len(self._new_goals) and self._care_plan_write(places) is None

    def _outstanding(self) -> list[Write]:
        """All writes but Provenance. Raises WriteConflict before the first of them is sent, whichever way they go."""
        places = self._found_places()
        missing = [write for write in self._new_goals if write.place not in places]
        old = (self.work.wanted(*goal) for goal in self._old_goals)
        updates = [self._care_plan_write({write.place: write.place for write in self._new_goals} | places), *old]
        return [*missing, *(update for update in updates if update is not None)]

    def _found_places(self) -> dict[str, str]:
        found = ((write.place, self.work.locate.found(write)) for write in self._new_goals)
        return {place: reference_of(stored.resource) for place, stored in found if stored}

    def _care_plan_write(self, places: dict[str, str]) -> Update | None:
        return self.work.wanted(self.plan.id, self._care_plan, self._to_care_plan(places))

    def _to_care_plan(self, places: dict[str, str]) -> Callable[[Resource], Resource]:
        references = [places[write.place] for write in self._new_goals]
        return lambda stored: self._noted(care_plan_after(stored, self.plan, self.decision, references))

    def _noted(self, care_plan: Resource) -> Resource:
        """With the states of the Goals, where they can't be written into the Goals."""
        in_goals = self.way.goal_states == "goals"
        return care_plan if in_goals else noted(care_plan, self.decision, criteria_words(self.check))

    def _note_late(self) -> None:
        """Where it showed only after the commit point that Goals can't be changed, their note follows in a change of its own."""
        if self.way.goal_states != "goals" and self.work.has_updated(self._care_plan):
            self.work.update(self.plan.id, self._care_plan, self._noted, more=True)

    def _commit(self) -> None:
        self.work.ledger.append(self.plan.id, *events(self.decision))

    def _bind(self, identifier: str) -> Also:
        return partial(self.work.ledger.bind_goal, self.plan.id, identifier)

    def _record_provenance(self) -> None:
        if not self.way.provenance:
            self.work.told.says.append(
                f"{self.work.client.endpoint.name} does not take Provenance: who decided stands in the ledger alone"
            )
            return
        written, at, server = self.work.told.versioned(), signed_at(self.decision), self.binding.readings
        resource = provenance(self.plan, self.decision, written, at, server=server)
        self.work.create(Create(_identity_of(resource, self._care_plan, self.decision), resource))

    @property
    def _care_plan(self) -> str:
        if self.binding.care_plan is None:
            raise InputRefused(f"plan {self.plan.id} has not been pushed to its end; push it again, then sign again")
        return self.binding.care_plan

    @property
    def _us_core(self) -> bool:
        return self.work.client.endpoint.us_core


def _identity_of(resource: Resource, care_plan: str, decision: Decision) -> Identity:
    """R4 gives Provenance no identifier: it is looked for by plan and instant, and known by the decision that it names as a source."""

    def is_it(found: Resource) -> bool:
        sources = (
            an_object(an_object(entity.get("what")).get("identifier")) for entity in objects(found.get("entity"))
        )
        return decision.id in {text(source, "value") for source in sources}

    return Identity("Provenance", decision.id, (("target", care_plan), ("recorded", resource["recorded"])), is_it)


def _acknowledged(ledger: Ledger, decision: Decision, check: CriteriaCheck) -> DecisionRecord:
    record = ledger.decision(decision.id)
    if record is None or record.state in {"open", "void"}:
        state = "not in this ledger" if record is None else record.state
        raise DecisionRefused(f"decision {decision.id} is {state}; only one that is fully signed is written")
    if check.digest != decision.digest:
        raise DecisionRefused(
            f"decision {decision.id} was made on another check than the one at hand; nothing was written"
        )
    return record


def _bound(client: Client, ledger: Ledger, plan: Plan) -> Binding:
    binding = ledger.binding(plan.id)
    if binding is None or binding.base != client.endpoint.base:
        place = f"on endpoint {binding.endpoint}" if binding else "nowhere"
        raise WrongUse(
            f"plan {plan.id} lives {place}, not on {client.endpoint.name}; push it there first, or name its endpoint"
        )
    return binding
