"""A ledger, an endpoint and a site's conventions, joined: push, pull, check, decide, sign, respond, sync."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Self

from msgspec.structs import replace

from careplan_bridge.bridge.at_hand import concerning
from careplan_bridge.bridge.judging import criteria, next_visit
from careplan_bridge.bridge.plans import convert, plan
from careplan_bridge.caseload.run import Steps, run
from careplan_bridge.criteria import deciding
from careplan_bridge.endpoint.http import Client
from careplan_bridge.errors import DecisionRefused, WrongUse
from careplan_bridge.files.secrets import read_secret
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.ledger.records import DecisionRecord
from careplan_bridge.model.check import IDENTITY_CHANGED, Attention, CriteriaCheck
from careplan_bridge.model.conventions import Conventions
from careplan_bridge.model.course import Responded
from careplan_bridge.model.decision import Decision, Kind
from careplan_bridge.model.endpoint import Endpoint, Role
from careplan_bridge.model.next_visit import NextVisit
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.protocol import Protocol
from careplan_bridge.model.receipt import Receipt
from careplan_bridge.model.retrieval import Retrieval
from careplan_bridge.model.route import Forecast
from careplan_bridge.model.run import PlanResult
from careplan_bridge.model.statement import sheet_code, statement
from careplan_bridge.retrieval.pull import pull, refuse_other_server
from careplan_bridge.review.hand_entry import sheet
from careplan_bridge.writeback import by_hand
from careplan_bridge.writeback.decision import write_decision
from careplan_bridge.writeback.forecast import forecast, push_forecast
from careplan_bridge.writeback.patient import Elsewhere, patient_there
from careplan_bridge.writeback.push import push_plan, push_protocol
from careplan_bridge.writeback.resume import settle
from careplan_bridge.writeback.unsigned import write_unsigned

_A_MOMENT = timedelta(minutes=1)  # between reading the clock for a command and using it


def _marked(check: CriteriaCheck, identity: str) -> CriteriaCheck:
    """With the mark that the Patient is no longer the one, where that is so; no digest rests on a mark."""
    if not identity:
        return check
    says = f"{identity[0].upper()}{identity[1:]}; settle in the record which Patient the plan is about."
    return replace(check, attention=(Attention(mark=IDENTITY_CHANGED, subject="patient", says=says), *check.attention))


@dataclass(frozen=True, slots=True)
class Signed:
    """What a signature led to: the decision with its signatures, and the receipt once the last one was given."""

    decision: Decision
    receipt: Receipt | None


@dataclass
class Link:
    """A ledger, an endpoint and a site's conventions, joined for one command; use it as a context manager.

    `now` stamps what is written; the moment that is judged is an argument of each call. `wait` sleeps between tries; `tell` is given
    what a person should know of a retrieval that is judged.
    """

    ledger_path: Path
    now: Callable[[], datetime]
    owner: str
    endpoint: Endpoint | None = None
    conventions: Conventions | None = None
    environ: Mapping[str, str] = field(default_factory=dict[str, str])
    wait: Callable[[float], None] = lambda _seconds: None
    tell: Callable[[str], None] = lambda _sentence: None
    writing: bool = True

    def __enter__(self) -> Self:
        self._open = ExitStack()
        with ExitStack() as opening:
            self.ledger = opening.enter_context(
                Ledger(self.ledger_path, now=self.now, owner=self.owner, writing=self.writing)
            )
            self._clients: dict[str, Client] = {}
            if self.endpoint is not None:
                self._clients["readings"] = opening.enter_context(self._connected(self.endpoint))
            self._open = opening.pop_all()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._open.__exit__(kind, error, trace)

    @property
    def client(self) -> Client:
        """The server that readings are pulled from."""
        if self.endpoint is None:
            raise WrongUse("This needs an endpoint; name its file with --endpoint.")
        return self._clients["readings"]

    @property
    def record(self) -> Client:
        """The server that plans and decisions are written to; its login is not needed before something is."""
        readings = self.client
        if readings.endpoint.record is None:
            return readings
        if "plans" not in self._clients:
            self._clients["plans"] = self._open.enter_context(self._connected(readings.endpoint.record))
        return self._clients["plans"]

    def _connected(self, to: Endpoint) -> Client:
        return Client(to, environ=self.environ, wait=self.wait, clock=self.now, secret=read_secret)

    def plan(self, reference: str) -> Plan:
        return plan(reference, self.ledger)

    def push_protocol(self, of: Protocol, *, dry_run: bool = False) -> Receipt:
        return push_protocol(self.record, self.ledger, convert(of, self._site()), dry_run=dry_run)

    def push_plan(self, of: Plan, *, patient: str | None = None, dry_run: bool = False) -> Receipt:
        """Send CarePlan and Goals as a draft and bind the plan to the endpoint; a second push changes nothing.

        `patient`: where plans are written to another server than readings are pulled from, the Patient there, as a person says.
        """
        with concerning(of.id):
            elsewhere = self._elsewhere(of, patient)
            return push_plan(self.record, self.ledger, of, elsewhere=elsewhere, dry_run=dry_run)

    def _elsewhere(self, of: Plan, said: str | None) -> Elsewhere | None:
        readings = self.client.endpoint
        if not readings.apart:
            if said not in (None, of.patient):
                raise WrongUse(
                    f"--patient names the Patient on another server for plans; {readings.name} names none in `[roles]`."
                )
            return None
        known = self.ledger.binding(of.id)
        if known is None:
            return Elsewhere(patient_there(self.client, self.record, of.patient, said), readings.base)
        return Elsewhere(said or known.patient, readings.base)

    def pull(self, of: Plan) -> Retrieval:
        with concerning(of.id):
            refuse_other_server(self.client, self.ledger.binding(of.id))
            retrieval = pull(self.client, of, now=self.now)
        if self.ledger.plan(of.id) is not None and self.writing:
            self.ledger.note_retrieval(retrieval.header)
        return retrieval

    def check(self, of: Plan, at: datetime) -> CriteriaCheck:
        """Pull, read, and judge at a moment."""
        retrieval = self._to_be_judged(of)
        check = criteria(of, retrieval.observations, self._site(), at, complete=retrieval.header.complete)
        return _marked(check, retrieval.header.identity)

    def _to_be_judged(self, of: Plan) -> Retrieval:
        retrieval = self.pull(of)
        for query in retrieval.header.queries:
            if query.why:
                self.tell(f"not everything could be pulled: {query.asked}: {query.why}")
        return retrieval

    def next_visit(self, of: Plan, at: datetime) -> NextVisit:
        """Pull, read, and say what a visit at a moment should measure."""
        retrieval = self._to_be_judged(of)
        return next_visit(of, retrieval.observations, self._site(), at, complete=retrieval.header.complete)

    def decide(self, check: CriteriaCheck, kind: Kind, reason: str, at: datetime) -> Decision:
        """Keep a decision bound to this check in the ledger; nothing is signed and nothing is sent."""
        self._refuse_other_moment(at)
        decision = deciding.decide(self._plan_of(check), check, kind, reason, at)
        self._refuse_behind_another(decision)
        self.ledger.keep_check(check)
        return self.ledger.save_decision(decision).decision

    def forecast(self, decision: Decision) -> Forecast:
        """What the signed decision will write, and in which way where there is an endpoint to ask."""
        of = self.ledger.plan(decision.plan, decision.revision) or self.plan(decision.plan)
        return forecast(of, decision, self.record if self.endpoint else None, self.ledger)

    def push_forecast(self, of: Plan) -> Forecast:
        """What the first push of a plan writes here, and in which way."""
        return push_forecast(of, self.record, self.ledger)

    def sign(self, decision_id: str, person: str, at: datetime) -> Signed:
        """Pull, check, and sign if the check is still the one decided on; the last signature needed writes the decision back.

        A decision whose ground has changed becomes void. One that is fully signed already is only written to its end.
        """
        self._refuse_other_moment(at)
        record = self._record(decision_id)
        of = self.plan(record.decision.plan)
        if record.state != "open":
            return self._written(record.decision, record.state)
        self._refuse_behind_another(record.decision)
        check = self.check(of, at)
        self._void_if_changed(record.decision, check)
        signed = deciding.sign(of, record.decision, check, person, at)
        self.ledger.keep_check(check)
        self.ledger.save_decision(signed)
        return Signed(signed, None) if signed.missing_roles else self._write(signed)

    def respond(
        self, check: CriteriaCheck, about: str, subject: str, *, person: str, reason: str, at: datetime
    ) -> Responded:
        """Record what a named clinician did about a red flag or an excess that the check shows."""
        self._refuse_other_moment(at)
        of = self._plan_of(check)
        answer = deciding.respond_to_red_flag if about == "red-flag" else deciding.respond_to_excess
        response = answer(of, check, subject, person_id=person, reason=reason, at=at)
        self.ledger.append(of.id, response)
        return response

    def plan_decided_on(self, decision_id: str) -> Plan:
        """The revision that a decision stands on."""
        return self._signed(decision_id)[0]

    def sheet(self, decision_id: str) -> bytes:
        """The page from which a signed decision is entered by hand."""
        of, decision, check = self._signed(decision_id)
        lines = statement(of, decision, check)
        return sheet(lines, sheet_code(lines), decision.id)

    def transcribed(
        self, decision_id: str, code: str, *, person: str, reason: str, at: datetime
    ) -> tuple[str, Responded]:
        """A named person entered a signed decision by hand. The plan's id and the response."""
        self._refuse_other_moment(at)
        of, decision, check = self._signed(decision_id)
        return of.id, by_hand.transcribed(self.ledger, of, decision, check, code, person=person, reason=reason, at=at)

    def settle_conflict(
        self, plan_id: str, reference: str, keep: by_hand.Keep, *, person: str, reason: str, at: datetime
    ) -> Responded:
        """A named person says whether ours or theirs is to stand where someone else changed what we manage."""
        self._refuse_other_moment(at)
        return by_hand.settle_conflict(
            self.record, self.ledger, self.plan(plan_id), reference, keep, person=person, reason=reason, at=at
        )

    def rebind(
        self, plan_id: str, patient: str, *, person: str, reason: str, at: datetime, role: Role | None = None
    ) -> Responded:
        """A named person says which Patient a plan is about since the record replaced the former one.

        Where readings and plans are on two servers, `role` says on which of them the Patient became another.
        """
        self._refuse_other_moment(at)
        of = self.plan(plan_id)
        apart = self.client.endpoint.apart
        if apart != (role is not None):
            raise WrongUse(
                "--role readings or --role plans belongs to an endpoint file that names another server for plans in `[roles]`, and "
                "there it is needed: each server has a Patient of its own."
            )
        if role == "plans":
            return by_hand.rebind_there(self.record, self.ledger, of, patient, person=person, reason=reason, at=at)
        return by_hand.rebind(self.client, self.ledger, of, patient, person=person, reason=reason, at=at)

    def sync(self, at: datetime, only: Sequence[str] | None = None) -> tuple[int, Iterator[PlanResult]]:
        """How many plans are due at this endpoint, and their results one after another."""
        due = [of for of in self.ledger.plans() if self._is_due(of, only)]
        steps = Steps(
            finish=self._finish,
            judge=lambda of: self.check(self.plan(of.id), at),
            write=self._write_unsigned,
            waiting=lambda of: [record.decision for record in self.ledger.waiting(of.id)],
        )
        return len(due), run(due, steps)

    def _is_due(self, of: Plan, only: Sequence[str] | None) -> bool:
        binding = self.ledger.binding(of.id)
        if binding is None or self.endpoint is None:
            return False
        bound_here = (binding.pulled_from, binding.base) == (self.endpoint.base, self.endpoint.written.base)
        return bound_here and (only is None or of.id in only)

    def _finish(self, of: Plan) -> int:
        """What an earlier run left open: intents of unknown fate first, then decisions that are fully signed."""
        with concerning(of.id):
            count = settle(self.record, self.ledger, of.id).changed
        for record in self.ledger.waiting(of.id):
            if record.state in ("ready", "writing"):
                receipt = self._write(record.decision).receipt
                count += receipt.changed if receipt else 0
        return count

    def _plan_of(self, check: CriteriaCheck) -> Plan:
        plan = self.ledger.plan(check.plan)
        if plan is None:
            raise WrongUse(
                f"The plan of this check ({check.plan}) is not in the ledger {self.ledger_path}; `push` puts a plan there, "
                "--ledger names another ledger."
            )
        return plan

    def _written(self, decision: Decision, state: str) -> Signed:
        if state == "void":
            raise DecisionRefused(
                "This decision is void: the record changed before its last signature. Check and decide again."
            )
        return Signed(decision, None) if state == "written" else self._write(decision)

    def _write(self, decision: Decision) -> Signed:
        """Write what was signed: it stands on the revision it was decided on, whatever became of the plan since."""
        of, decision, check = self._signed(decision.id)
        with concerning(of.id):
            return Signed(decision, write_decision(self.record, self.ledger, of, decision, check))

    def _record(self, decision_id: str) -> DecisionRecord:
        record = self.ledger.decision(decision_id)
        if record is None:
            raise DecisionRefused(f"Decision {decision_id} is not in this ledger; `decide` makes one.")
        return record

    def _signed(self, decision_id: str) -> tuple[Plan, Decision, CriteriaCheck]:
        """A decision with the revision and the check it stands on."""
        decision = self._record(decision_id).decision
        check = self.ledger.check(decision.digest)
        of = self.ledger.plan(decision.plan, decision.revision)
        if check is None or of is None:
            raise DecisionRefused(f"The check that decision {decision.id} is bound to is not in this ledger.")
        return of, decision, check

    def _write_unsigned(self, of: Plan, check: CriteriaCheck) -> int:
        with concerning(of.id):
            return write_unsigned(self.record, self.ledger, self.plan(of.id), check).changed

    def _void_if_changed(self, decision: Decision, check: CriteriaCheck) -> None:
        if check.complete and not deciding.stands(decision, check):
            self.ledger.void_decision(decision.id, "the record changed before the last signature")

    def _refuse_behind_another(self, decision: Decision) -> None:
        """What was signed before has to be in the record first: written later, it would undo what came after it."""
        signed = [one for one in self.ledger.waiting(decision.plan) if one.state != "open"]
        first = next((one.decision for one in signed if one.decision.id != decision.id), None)
        if first is not None:
            raise DecisionRefused(
                f"Decision {first.id} ({first.kind}) is signed and not in the record yet; finish it first (`sync`, or `respond` where "
                "it waits for a person), then check and decide again."
            )

    def _refuse_other_moment(self, at: datetime) -> None:
        of = self.endpoint
        production = of is not None and "production" in (of.environment, of.written.environment)
        if production and abs(at - self.now()) > _A_MOMENT:
            raise WrongUse("Decisions on a production endpoint are made now; leave --at out.")

    def _site(self) -> Conventions:
        if self.conventions is None:
            raise WrongUse("This needs the clinic's conventions; name their file with --conventions.")
        return self.conventions
