"""Any course of events: visits, decisions, edits by others, merges, faults, crashes, a second writer, in any order.

Whatever happens, what is held on the server and in the ledger keeps to a few rules, checked after every step against a small model:
nothing stands twice, nothing is further than signatures carried it, no acknowledged decision is lost, nobody else's edit is written
over. In the end the faults are over, a person settles what only a person can, and everything acknowledged is on the server.
"""

import os
from collections import Counter
from collections.abc import Callable, Generator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import httpx
import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from careplan_bridge import bridge
from careplan_bridge.errors import BridgeError
from careplan_bridge.model.decision import Decision, Kind
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.protocol import DISCHARGE
from careplan_bridge.model.value import Threshold
from careplan_bridge.sandbox.misbehaviours.registry import KINDS
from careplan_bridge.sandbox.server import Sandbox
from tests.bridge.clinic import SITE, endpoint, held, plan_of, record
from tests.bridge.visits import Key, meeting_all, when_done
from tests.flow.workplace import patient

FAULTS = (
    "429-seconds",
    "503-write-not-done",
    "503-write-done",
    "500-write-done",
    "500-search-always",
    "closed-write-not-done",
    "closed-write-done",
    "closed-update-done",
    "closed-for-good",
    "closed-page",
    "stale-409",
    "transaction-done-500",
    "slow-drip",
)
UNSIGNED = ("in-progress", "improving", "worsening", "no-change", "re-open")
STARTED = datetime(2026, 3, 4, 9, tzinfo=UTC)
KINDS_OF_DECISION = ("go on", "go on", "remain")
COMMANDS = ("sign", "sign", "sync", "push")
Resource = dict[str, Any]


class Killed(BaseException):
    """The process is gone: nothing may catch this."""


@dataclass
class Model:
    """What has to be true, in a dict or two.

    `signed`: decisions whose last signature was given. `edits`: what others wrote into the record and nobody settled since, by
    resource and element.
    """

    signed: dict[str, Decision] = field(default_factory=dict[str, Decision])
    edits: dict[tuple[str, str], Any] = field(default_factory=dict[tuple[str, str], Any])
    merges: int = 0


class Course(RuleBasedStateMachine):
    sandbox: Sandbox
    empty: bytes

    def __init__(self) -> None:
        super().__init__()
        self.sandbox.misbehaviours.clear()
        self.sandbox.go_back_to(self.empty)
        self.folder = TemporaryDirectory()
        self.ledger = Path(self.folder.name) / "ledger.sqlite"
        self.now = STARTED
        self.model = Model()
        self.firsts: dict[Key, Threshold] = {}
        self.decision, self.signers = "", list[str]()
        self.drafted = plan_of("shoulder-stabilisation", "shoulder-quay-01")
        self.therapist = next(person.id for person in self.drafted.people if person.role == "therapist")
        self.at = STARTED

    def teardown(self) -> None:
        try:
            self.everything_settles()
        finally:
            self.folder.cleanup()

    @initialize()
    def begin(self) -> None:
        record(self.sandbox.base, [patient(self.drafted.patient)])
        self.does(lambda site: site.push_plan(self.drafted))

    # What the clinic does

    @rule()
    def push_again(self) -> None:
        self.does(lambda site: site.push_plan(self.drafted))

    @rule()
    def half_a_visit(self) -> None:
        self.measure(whole=False)

    @rule(kind=st.sampled_from(KINDS_OF_DECISION))
    def the_stage_is_decided_on(self, kind: str) -> None:
        """At a visit where all of it is met."""
        self.measure(whole=True)
        self.does(lambda site: self.decided(site, kind))

    @rule(kind=st.sampled_from(KINDS_OF_DECISION))
    def a_decision_is_made_and_signed(self, kind: str) -> None:
        self.the_stage_is_decided_on(kind)
        self.sign()

    @rule()
    def sign(self) -> None:
        """By all who have to, one after the other."""
        if self.decision:
            for person in self.signers:
                self.does(lambda site, person=person: site.sign(self.decision, person, self.at))

    @rule()
    def sync(self) -> None:
        self.does(lambda site: [*site.sync(self.at)[1]])

    # What others do

    @rule(status=st.sampled_from(["entered-in-error", "corrected"]), which=st.integers(0, 99))
    def correct_a_reading(self, status: str, which: int) -> None:
        found = held(self.sandbox.base, "Observation", _count="200")
        if found:
            record(self.sandbox.base, [{**found[which % len(found)], "status": status}])

    @rule(words=st.sampled_from(["seen by the ward", "called by phone"]))
    def edit_what_we_do_not_manage(self, words: str) -> None:
        for care_plan in held(self.sandbox.base, "CarePlan"):
            self.edited(care_plan, "description", words)

    @rule(of=st.sampled_from(["CarePlan", "Goal"]))
    def edit_what_we_manage(self, of: str) -> None:
        stage = self.plan().current.id
        element = {"CarePlan": "status", "Goal": "lifecycleStatus"}[of]
        ours = [one for one in held(self.sandbox.base, of, _count="200") if is_of(one, stage)]
        for resource in ours[:1]:
            self.edited(resource, element, "on-hold")

    @rule(of=st.sampled_from(["CarePlan", "Goal"]))
    def an_edit_between_decision_and_signature(self, of: str) -> None:
        self.the_stage_is_decided_on("go on")
        self.edit_what_we_manage(of)
        self.sign()

    @rule()
    def a_second_bridge_pushes_the_same_plan(self) -> None:
        with self.link(self.ledger.with_name("other.sqlite")) as site:
            self.quietly(lambda: site.push_plan(self.drafted))

    @precondition(lambda self: self.model.merges < 2)
    @rule()
    def the_patient_is_merged(self) -> None:
        old, new = self.plan().patient, f"Patient/survivor-{self.model.merges}"
        self.model.merges += 1
        replaced = [{"other": {"reference": new}, "type": "replaced-by"}]
        record(self.sandbox.base, [patient(new), {**patient(old), "active": False, "link": replaced}])

    # What goes wrong

    @rule(name=st.sampled_from(FAULTS), then=st.sampled_from(COMMANDS))
    def a_fault(self, name: str, then: str) -> None:
        self.before(then)
        self.sandbox.misbehaviours.append(KINDS[name].make())
        self.one_of(then)
        self.sandbox.misbehaviours.clear()

    @rule(nth=st.integers(1, 40), after=st.booleans(), then=st.sampled_from(COMMANDS))
    def a_crash(self, nth: int, then: str, *, after: bool) -> None:
        self.before(then)
        with dying(nth, after=after):
            self.one_of(then)

    @rule(hours=st.sampled_from([-30, -1, 1, 24]))
    def the_clock_is_put(self, hours: int) -> None:
        self.now += timedelta(hours=hours)

    # What a person settles

    @rule(keep=st.sampled_from(["ours", "theirs"]))
    def a_conflict_is_settled(self, keep: bridge.Keep) -> None:
        for reference, element in [key for key in self.model.edits if key[1] != "description"]:
            self.settled(reference, element, keep)

    @precondition(lambda self: self.model.merges)
    @rule()
    def the_plan_is_bound_anew(self) -> None:
        self.rebound()

    # What always holds

    @invariant()
    def nothing_stands_twice(self) -> None:
        for kind in ("CarePlan", "Goal"):
            known = Counter(identifier(one) for one in held(self.sandbox.base, kind, _count="200"))
            assert set(known.values()) <= {1}, known
        recorded = Counter(one["recorded"] for one in held(self.sandbox.base, "Provenance", _count="200"))
        assert set(recorded.values()) <= {1}, recorded

    @invariant()
    def nothing_is_further_than_signatures_carried_it(self) -> None:
        signed = self.model.signed.values()
        ended = {decision.stage for decision in signed if decision.kind != "remain"}
        for care_plan in held(self.sandbox.base, "CarePlan"):
            assert stages_with(care_plan, self.drafted, "completed") <= ended
        for goal in held(self.sandbox.base, "Goal", _count="200"):
            assert not achieved(goal) or identifier(goal).split("/")[1] in {decision.stage for decision in signed}

    @invariant()
    def no_signed_decision_is_lost(self) -> None:
        if self.ledger.exists():
            with self.link(self.ledger) as site:
                for decision in self.model.signed:
                    known = site.ledger.decision(decision)
                    assert known is not None
                    assert known.state in ("ready", "writing", "written"), known.state
                assert site.ledger.verify().faults == ()

    @invariant()
    def nobody_elses_edit_is_written_over(self) -> None:
        for (reference, element), value in self.model.edits.items():
            assert self.read(reference)[element] == value, (reference, element)

    # How it is done

    def plan(self) -> Plan:
        """As the ledger knows it, if it does by now."""
        with self.link(self.ledger) as site:
            return site.ledger.plan(self.drafted.id) or self.drafted

    @contextmanager
    def link(self, ledger: Path) -> Generator[bridge.Link]:
        where = endpoint(self.sandbox.base, unsigned=UNSIGNED)
        with bridge.Link(
            ledger_path=ledger, now=lambda: self.now, owner="a test", endpoint=where, conventions=SITE
        ) as site:
            yield site

    def does(self, work: Callable[[bridge.Link], object]) -> None:
        """One command: it may be refused, may fail, may die. What the ledger then says was signed counts as acknowledged."""
        try:
            with self.link(self.ledger) as site:
                self.quietly(lambda: work(site))
        except Killed:
            pass
        with self.link(self.ledger) as site:
            for known in site.ledger.decisions(self.drafted.id):
                if known.state in ("ready", "writing", "written"):
                    self.model.signed.setdefault(known.decision.id, known.decision)

    def quietly(self, work: Callable[[], object]) -> None:
        with suppress(BridgeError):
            work()

    def measure(self, *, whole: bool) -> None:
        """Everything is measured so that it is met, or half of it."""
        plan = self.plan()
        self.at = max(self.at + timedelta(hours=1), when_done(plan, plan.current))
        measured = meeting_all(plan, plan.current, self.at, self.firsts)
        record(self.sandbox.base, measured if whole else measured[::2])

    def decided(self, site: bridge.Link, kind: str) -> None:
        plan = site.plan(self.drafted.id)
        onward: Kind = "discharge" if plan.current.id == DISCHARGE else "advance"
        made = site.decide(site.check(plan, self.at), "remain" if kind == "remain" else onward, "as agreed", self.at)
        self.decision = made.id
        self.signers = [person.id for role in made.roles for person in plan.people if person.role == role]

    def before(self, command: str) -> None:
        if command == "sign":
            self.the_stage_is_decided_on("go on")

    def one_of(self, command: str) -> None:
        {"push": self.push_again, "sign": self.sign, "sync": self.sync}[command]()

    def read(self, reference: str) -> Resource:
        kind, _, name = reference.partition("/")
        return next(one for one in held(self.sandbox.base, kind, _count="200") if one["id"] == name)

    def edited(self, resource: Resource, element: str, value: object) -> None:
        record(self.sandbox.base, [{**resource, element: value}])
        if resource.get(element) != value:
            self.model.edits[f"{resource['resourceType']}/{resource['id']}", element] = value

    def settled(self, reference: str, element: str, keep: bridge.Keep) -> None:
        def settle(site: bridge.Link) -> None:
            site.settle_conflict(
                self.drafted.id, reference, keep, person=self.therapist, reason="asked the ward", at=self.at
            )
            self.model.edits.pop((reference, element))

        self.does(settle)

    def rebound(self) -> None:
        new = f"Patient/survivor-{self.model.merges - 1}"
        if self.plan().patient != new:
            self.does(
                lambda site: site.rebind(self.drafted.id, new, person=self.therapist, reason="merged", at=self.at)
            )

    def everything_settles(self) -> None:
        """The faults are over; a person settles what is theirs to settle. Then all that was signed is on the server, and stays so."""
        if not self.ledger.exists():
            return
        if self.model.merges:
            self.rebound()
        for _ in range(3):
            self.sync()
            self.a_conflict_is_settled("ours")
        self.sync()
        self.nothing_stands_twice()
        with self.link(self.ledger) as site:
            states = {decision: site.ledger.decision(decision) for decision in self.model.signed}
        assert {known.state for known in states.values() if known} <= {"written"}
        versions = self.versions()
        self.sync()
        assert self.versions() == versions

    def versions(self) -> dict[str, str]:
        every = [
            one for kind in ("CarePlan", "Goal", "Provenance") for one in held(self.sandbox.base, kind, _count="200")
        ]
        return {f"{one['resourceType']}/{one['id']}": one["meta"]["versionId"] for one in every}


def identifier(resource: Resource) -> str:
    return resource["identifier"][0]["value"]


def is_of(resource: Resource, stage: str) -> bool:
    """A CarePlan is of every stage."""
    return resource["resourceType"] == "CarePlan" or identifier(resource).split("/")[1] == stage


def achieved(goal: Resource) -> bool:
    codings = goal.get("achievementStatus", {}).get("coding", [])
    return any(coding["code"] == "achieved" for coding in codings)


def stages_with(care_plan: Resource, plan: Plan, status: str) -> set[str]:
    details = [one["detail"] for one in care_plan["activity"] if not one["detail"].get("doNotPerform")]
    return {stage.id for stage, detail in zip(plan.stages, details, strict=True) if detail["status"] == status}


@contextmanager
def dying(nth: int, *, after: bool) -> Generator[None]:
    """The process dies at its nth request from now on, before it went out or after it was answered."""
    send, met = httpx.HTTPTransport.handle_request, 0

    def handle(self: httpx.HTTPTransport, request: httpx.Request) -> httpx.Response:
        nonlocal met
        met += 1
        if met < nth:
            return send(self, request)
        if after and met == nth:
            send(self, request).read()
        raise Killed

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(httpx.HTTPTransport, "handle_request", handle)
        yield


def test_any_course_of_events() -> None:
    examples = int(os.environ.get("CAREPLAN_BRIDGE_COURSES", "8"))
    with Sandbox() as sandbox:
        Course.sandbox, Course.empty = sandbox, sandbox.state()
        run_state_machine_as_test(
            Course,
            settings=settings(
                max_examples=examples,
                stateful_step_count=12,
                deadline=None,
                suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much],
                phases=(Phase.generate,),  # making a course of a hundred requests shorter takes longer than reading it
            ),
        )
