"""Two clinics, others, weather and kills in any order, on each rung of the ladder: what must hold after every step, and in fair weather.

Both clinics decide about the same plan, each from its own ledger; the server may lack something; a command may be dropped at any request
and any transaction of its ledger.
CAREPLAN_BRIDGE_HYPOTHESIS=search looks for longer.
"""

import os
import sqlite3
import tempfile
from collections import Counter
from collections.abc import Callable, Generator, Iterator
from contextlib import closing, contextmanager
from functools import partial
from pathlib import Path
from typing import Any, Literal, TypeVar

import hypothesis.strategies as st
import pytest
from hypothesis import HealthCheck, Phase, settings
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
from careplan_bridge.fhir import conformity
from careplan_bridge.ledger.records import DecisionRecord, Intent
from careplan_bridge.model.check import CriteriaCheck
from careplan_bridge.model.course import Decided
from careplan_bridge.model.decision import Decision, Kind
from careplan_bridge.model.statement import sheet_code, statement
from tests.conftest import chosen_profile
from tests.faults.boundaries import NEVER
from tests.faults.in_process import Resource
from tests.faults.town import Clinic, Town, Weather, flexion, the_plan

T = TypeVar("T")
PERSON = "t-lindqvist"
SURVIVOR = "Patient/survivor"
ACKNOWLEDGED = {"ready", "writing", "written", "parked"}
ONE_BY_ONE = ("transaction",)
RUNGS: tuple[tuple[str, ...], ...] = (
    (),
    ONE_BY_ONE,
    (*ONE_BY_ONE, "conditional-create"),
    (*ONE_BY_ONE, "conditional-create", "client-id"),
    (*ONE_BY_ONE, "version"),
    (*ONE_BY_ONE, "identifier"),
    (*ONE_BY_ONE, "Goal.update"),
)
WEATHER: tuple[Weather, ...] = ("done and failed", "done and silent", "never arrived", "throttled", "edited first")
# What another program sets, by type: values that none of our writes ever sets.
EDITS: dict[str, dict[str, Any]] = {"CarePlan": {"status": "on-hold"}, "Goal": {"lifecycleStatus": "on-hold"}}
clinics = st.sampled_from(["quay", "hill"])
dies = st.one_of(st.just(NEVER), st.integers(1, 120))


class AnyOrder(RuleBasedStateMachine):
    """The model: what other people changed and nobody settled since (`standing`), and what each clinic once acknowledged or wrote."""

    @initialize(lacks=st.sampled_from(RUNGS))
    def open(self, lacks: tuple[str, ...]) -> None:
        memory = Path("/dev/shm")  # noqa: S108
        self._folder = tempfile.TemporaryDirectory(dir=memory if os.access(memory, os.W_OK) else None)
        self.lacks = lacks
        self.town = Town(lacks, Path(self._folder.name))
        self.standing: dict[str, dict[str, Any]] = {}
        self.measured = 0
        self.edited = False
        self.merged = False

    def teardown(self) -> None:
        if hasattr(self, "town"):
            try:
                self.calm()
            finally:
                self._folder.cleanup()

    @rule(name=clinics, dies=dies)
    def push(self, name: str, dies: int) -> None:
        self._act(name, lambda link: link.push_plan(link.ledger.plan(the_plan().id) or the_plan()), dies)

    @rule(name=clinics, dies=dies)
    def check(self, name: str, dies: int) -> None:
        clinic = self.town.clinics[name]
        came = self._act(name, lambda link: link.check(link.plan(the_plan().id), self.town.at), dies)
        clinic.check = came if isinstance(came, CriteriaCheck) else clinic.check

    @rule(name=clinics, kind=st.sampled_from(["advance", "advance", "remain"]), dies=dies)
    def decide(self, name: str, kind: Kind, dies: int) -> None:
        check = self.town.clinics[name].check
        if check is not None:
            self._act(name, lambda link: link.decide(check, kind, "as talked over", self.town.at), dies)

    @rule(name=clinics, dies=dies)
    def sign(self, name: str, dies: int) -> None:
        decision = self._latest(name)
        if decision is not None:
            self._act(name, lambda link: link.sign(decision.id, PERSON, self.town.at), dies)

    @rule(name=clinics, kind=st.sampled_from(["advance", "remain"]), dies=dies)
    def decide_at_once(self, name: str, kind: Kind, dies: int) -> None:
        """What a visit does that nothing comes between."""
        self.push(name, NEVER)
        self.check(name, NEVER)
        self.decide(name, kind, NEVER)
        self.sign(name, dies)

    @rule(name=clinics, dies=dies)
    def sync(self, name: str, dies: int) -> None:
        clinic = self.town.clinics[name]
        with self._nothing_sent_about_a_patient_of_before(clinic):
            self.town.sync(clinic, dies)

    @rule(name=clinics, keep=st.sampled_from(["ours", "theirs"]), dies=dies)
    def respond_to_a_conflict(self, name: str, keep: Literal["ours", "theirs"], dies: int) -> None:
        at_odds = [intent.target for intent in self._open_intents(name) if intent.state == "conflict"]
        if not at_odds:
            return
        self._act(name, lambda link: self._settled(link, at_odds[-1], keep), dies)
        if keep == "ours":  # where it was killed too: the answer may be in the ledger
            self.standing.pop(at_odds[-1], None)

    def _settled(self, link: bridge.Link, reference: str, keep: Literal["ours", "theirs"]) -> None:
        link.settle_conflict(the_plan().id, reference, keep, person=PERSON, reason="talked over", at=self.town.at)

    @rule(name=clinics, dies=dies)
    def respond_to_what_is_parked(self, name: str, dies: int) -> None:
        clinic = self.town.clinics[name]
        for record in self._records(clinic):
            if record.state == "parked":
                clinic.by_hand.add(record.decision.id)
                self._act(name, partial(self._transcribed, decision=record.decision), dies)
                return

    def _transcribed(self, link: bridge.Link, decision: Decision) -> None:
        check = link.ledger.check(decision.digest)
        assert check is not None
        code = sheet_code(statement(link.plan_decided_on(decision.id), decision, check))
        link.transcribed(decision.id, code, person=PERSON, reason="entered by hand", at=self.town.at)

    @rule(kind=st.sampled_from(list(EDITS)), nth=st.integers(0, 3))
    def edit_elsewhere(self, kind: str, nth: int) -> None:
        held = self.town.held(kind)
        if held:
            chosen = held[nth % len(held)]
            self.town.put({**chosen, **EDITS[kind]})
            self.standing[f"{kind}/{chosen['id']}"] = EDITS[kind]
            self.edited = True

    @precondition(lambda self: not self.merged)
    @rule()
    def merge_the_patient(self) -> None:
        """The record makes two Patients one."""
        old = the_plan().patient.partition("/")[2]
        link = {"other": {"reference": SURVIVOR}, "type": "replaced-by"}
        self.town.put({"resourceType": "Patient", "id": SURVIVOR.partition("/")[2]})
        self.town.put({"resourceType": "Patient", "id": old, "active": False, "link": [link]})
        self.merged = True

    @precondition(lambda self: self.merged)
    @rule(name=clinics, dies=dies)
    def respond_to_the_merge(self, name: str, dies: int) -> None:
        self._act(name, self._rebound, dies)

    def _rebound(self, link: bridge.Link) -> None:
        link.rebind(the_plan().id, SURVIVOR, person=PERSON, reason="checked name and birth date", at=self.town.at)

    @rule()
    def annotate_elsewhere(self) -> None:
        self.town.annotate("seen by another program")

    @rule(degrees=st.sampled_from([60, 85, 88, 100, 140]), status=st.sampled_from(["final", "preliminary"]))
    def measure(self, degrees: int, status: str) -> None:
        self.measured += 1
        self.town.put(flexion(f"measured-{self.measured}", degrees, status, self.town.at))

    @precondition(lambda self: self.measured > 0)
    @rule(degrees=st.sampled_from([70, 90]), status=st.sampled_from(["corrected", "entered-in-error"]))
    def correct_or_withdraw(self, degrees: int, status: str) -> None:
        self.town.put(flexion(f"measured-{self.measured}", degrees, status, self.town.at))

    @rule(weather=st.sampled_from(WEATHER), after=st.integers(1, 8))
    def spoil(self, weather: Weather, after: int) -> None:
        self.town.weather, self.town.spoils = weather, after

    @rule()
    def go_down(self) -> None:
        self.town.weather = "down"

    @rule()
    def clear_up(self) -> None:
        self.town.weather = "fair"

    @rule(minutes=st.integers(-90, 2000))
    def step_the_clock(self, minutes: int) -> None:
        self.town.step(minutes)

    @rule()
    def calm(self) -> None:
        """Fair weather and two nights: what can be brought to its end is, and where it can't a person is told."""
        self.town.weather = "fair"
        for clinic in self.town.clinics.values():
            self.town.sync(clinic)
            told = self.town.sync(clinic)
            if told is not None:
                self._assert_at_its_end(clinic, told.exit_code, told.detail)

    def _assert_at_its_end(self, clinic: Clinic, code: int, detail: str) -> None:
        open_ones = [record for record in self._records(clinic) if record.state in {"ready", "writing"}]
        with self.town.look(clinic) as ledger:
            under_way = [each for each in ledger.open_intents(the_plan().id) if each.state in {"sent", "unknown"}]
        assert code != 0 or not (open_ones or under_way), "something waits, and nobody is told"
        if not self._someone_interfered():
            assert (code, open_ones, under_way) == (0, [], []), detail
        if code == 0:
            self.town.sent.clear()
            self.town.sync(clinic)
            assert not self.town.sent, "a run in which nothing was new has written"

    def _someone_interfered(self) -> bool:
        other_writers = sum(bool(clinic.acknowledged) for clinic in self.town.clinics.values()) > 1
        return self.edited or self.merged or other_writers

    @invariant()
    def nothing_is_doubled(self) -> None:
        plans, goals = self.town.held("CarePlan"), self.town.held("Goal")
        decisions = Counter(_decision_of(each) for each in self.town.held("Provenance"))
        assert len(plans) <= 1
        assert [what for what, count in Counter(map(_what_a_goal_says, goals)).items() if count > 1] == []
        assert [decision for decision, count in decisions.items() if count > 1] == []

    @invariant()
    def no_acknowledged_decision_is_lost(self) -> None:
        traces = {_decision_of(each) for each in self.town.held("Provenance")}
        for clinic in self.town.clinics.values():
            states = {record.decision.id: record.state for record in self._records(clinic)}
            clinic.acknowledged |= {decision for decision, state in states.items() if state in ACKNOWLEDGED}
            clinic.written |= {decision for decision, state in states.items() if state == "written"}
            assert {states.get(decision, "gone") for decision in clinic.acknowledged} <= ACKNOWLEDGED
            assert {states[decision] for decision in clinic.written} <= {"written"}
            assert clinic.written - clinic.by_hand <= traces

    @invariant()
    def nothing_that_needs_a_signature_is_written_without(self) -> None:
        signed = {decision.kind for decision in self._signed_ones()}
        states = {each["status"] for each in self.town.held("CarePlan")} - {"on-hold"}
        assert signed or states <= {"draft"}
        goals = self.town.held("Goal")
        assert signed or not any(_achieved(goal) for goal in goals)
        assert "advance" in signed or not any(goal["lifecycleStatus"] == "completed" for goal in goals)

    @invariant()
    def the_course_holds_each_decision_once_and_only_acknowledged_ones(self) -> None:
        for clinic in self._with_a_ledger():
            with self.town.look(clinic) as ledger:
                decided = [each.decision for each in ledger.course(the_plan().id).events if isinstance(each, Decided)]
            assert len(decided) == len(set(decided))
            assert set(decided) <= clinic.acknowledged

    @invariant()
    def what_others_wrote_stands_until_a_person_settles_it(self) -> None:
        held = {f"{kind}/{each['id']}": each for kind in EDITS for each in self.town.held(kind)}
        for reference, change in self.standing.items():
            assert {name: held[reference].get(name) for name in change} == change

    @invariant()
    def what_is_not_ours_stays(self) -> None:
        if (
            "version" not in self.lacks
        ):  # where versions are not kept, an edit in the very moment of a write can't be seen
            for care_plan in self.town.held("CarePlan"):
                notes = [note["text"] for note in care_plan.get("note", [])]
                assert not Counter(self.town.notes) - Counter(notes)

    @invariant()
    def the_ledger_is_whole(self) -> None:
        for clinic in self._with_a_ledger():
            with self.town.look(clinic) as ledger:
                assert ledger.verify().faults == ()

    def _act(self, name: str, what: Callable[[bridge.Link], T], dies: int) -> T | BridgeError | None:
        clinic = self.town.clinics[name]
        with self._nothing_sent_about_a_patient_of_before(clinic):
            return self.town.act(clinic, what, dies)

    @contextmanager
    def _nothing_sent_about_a_patient_of_before(self, clinic: Clinic) -> Generator[None]:
        """Where the record merged the Patient and no person has said who it is, writes stop."""
        stops = self.merged and self._patient(clinic) != SURVIVOR
        before = self.town.sent.copy()
        yield
        assert not stops or self.town.sent == before

    def _patient(self, clinic: Clinic) -> str:
        if clinic not in self._with_a_ledger():
            return ""
        with self.town.look(clinic) as ledger:
            binding = ledger.binding(the_plan().id)
        return binding.patient if binding else ""

    def _latest(self, name: str) -> Decision | None:
        records = self._records(self.town.clinics[name])
        return records[-1].decision if records else None

    def _records(self, clinic: Clinic) -> tuple[DecisionRecord, ...]:
        if clinic not in self._with_a_ledger():
            return ()
        with self.town.look(clinic) as ledger:
            return ledger.decisions(the_plan().id)

    def _open_intents(self, name: str) -> tuple[Intent, ...]:
        clinic = self.town.clinics[name]
        if clinic not in self._with_a_ledger():
            return ()
        with self.town.look(clinic) as ledger:
            return ledger.open_intents(the_plan().id)

    def _signed_ones(self) -> Iterator[Decision]:
        for clinic in self.town.clinics.values():
            yield from (record.decision for record in self._records(clinic) if record.state in ACKNOWLEDGED)

    def _with_a_ledger(self) -> list[Clinic]:
        """Those whose ledger has its tables: a kill may come before that."""
        return [clinic for clinic in self.town.clinics.values() if clinic.path.exists() and _has_tables(clinic.path)]


def _has_tables(path: Path) -> bool:
    with closing(sqlite3.connect(path)) as db:
        return bool(db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])


def _decision_of(provenance: Resource) -> str:
    named = [entity["what"].get("identifier", {}) for entity in provenance["entity"]]
    return next(each["value"] for each in named if each.get("system", "").endswith("/decision"))


def _what_a_goal_says(goal: Resource) -> str:
    """By its identifier; where the server drops these, by its words, which no other Goal of this plan has."""
    return goal["identifier"][0]["value"] if goal.get("identifier") else goal["description"]["text"]


def _achieved(goal: Resource) -> bool:
    codings = goal.get("achievementStatus", {}).get("coding", [])
    return "achieved" in {coding["code"] for coding in codings}


# So many tales, each of up to 25 steps; the ordinary runs are bounded by these, the search by patience.
SIZES = {"dev": 15, "ci": 30, "search": 3000}


def test_whatever_comes_in_whatever_order(monkeypatch: pytest.MonkeyPatch) -> None:
    # That our resources are valid is shown elsewhere, resource by resource.
    monkeypatch.setattr(conformity, "_check_structure", repr)
    profile = chosen_profile()
    size = settings(
        max_examples=SIZES[profile],
        stateful_step_count=25,
        # Shrinking a tale takes minutes; the search is where one is looked for.
        phases=[Phase.explicit, Phase.reuse, Phase.generate, *([Phase.shrink] if profile == "search" else [])],
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
    )
    run_state_machine_as_test(AnyOrder, settings=size)
