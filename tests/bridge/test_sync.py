"""The caseload run against a real server: one plan that fails, one with something to write, one that stays as it is."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import pytest

from careplan_bridge import bridge
from careplan_bridge.errors import RunAgain
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.run import PlanResult
from careplan_bridge.sandbox.exchange import Answer, Asked, Handler
from careplan_bridge.sandbox.server import Sandbox
from tests.bridge.clinic import endpoint, held, link, record, settle_in

LETS_THROUGH = ("in-progress", "improving", "worsening", "no-change")
FAILING, WRITING, STILL = "knee-arthroplasty", "acl-reconstruction", "achilles-repair"


@dataclass
class Clinic:
    folder: Path
    base: str
    plans: dict[str, Plan]
    at: datetime

    def link(self) -> bridge.Link:
        return link(self.folder, endpoint(self.base, unsigned=LETS_THROUGH))

    def sync(self, *protocols: str) -> dict[str, PlanResult]:
        """A run over these plans, in this order; over all of them where none is named."""
        with self.link() as site:
            wanted = [self.plans[name].id for name in protocols] or None
            due, results = site.sync(self.at, wanted)
            found = list(results)
        assert due == len(found)
        names = {plan.id: name for name, plan in self.plans.items()}
        return {names[result.plan]: result for result in found}


@pytest.fixture
def sandbox() -> Iterator[Sandbox]:
    with Sandbox() as sandbox:
        yield sandbox


@pytest.fixture
def clinic(sandbox: Sandbox, tmp_path: Path) -> Clinic:
    with link(tmp_path, endpoint(sandbox.base, unsigned=LETS_THROUGH)) as site:
        settled = {name: settle_in(site, sandbox.base, name, "not-yet") for name in (FAILING, WRITING, STILL)}
    clinic = Clinic(tmp_path, sandbox.base, {name: plan for name, (plan, _) in settled.items()}, settled[WRITING][1])
    clinic.sync(STILL)  # what may go unsigned is written for it already
    return clinic


def fails_for(plan: Plan) -> "Broken":
    return Broken(plan.patient)


@dataclass
class Broken:
    """Every question about one person is answered with 403: the record cannot be pulled."""

    patient: str

    def __call__(self, asked: Asked, handler: Handler) -> Answer:
        if "/".join(asked.path) == self.patient or self.patient in asked.query.replace("%2F", "/"):
            return Answer(403)
        return handler(asked)


def goals(clinic: Clinic) -> list[tuple[str, str]]:
    return sorted((goal["id"], goal["meta"]["versionId"]) for goal in held(clinic.base, "Goal", _count="200"))


def test_one_fails_one_writes_one_stays(clinic: Clinic, sandbox: Sandbox) -> None:
    sandbox.misbehaviours.append(fails_for(clinic.plans[FAILING]))
    results = clinic.sync()
    assert {name: result.status for name, result in results.items()} == {
        FAILING: "refused",
        WRITING: "done",
        STILL: "unchanged",
    }
    assert bridge.exit_code(list(results.values())) == 1
    assert clinic.plans[FAILING].patient not in results[FAILING].detail


def test_a_second_run_writes_nothing(clinic: Clinic) -> None:
    clinic.sync()
    before = goals(clinic)
    again = clinic.sync()
    assert {result.status for result in again.values()} == {"unchanged"}
    assert bridge.exit_code(list(again.values())) == 0
    assert goals(clinic) == before


@pytest.mark.parametrize("failing", [FAILING, WRITING, STILL])
def test_whichever_fails_the_others_are_run_to_their_end(clinic: Clinic, sandbox: Sandbox, failing: str) -> None:
    sandbox.misbehaviours.append(fails_for(clinic.plans[failing]))
    results = clinic.sync()
    expected = {FAILING: "unchanged", WRITING: "done", STILL: "unchanged", failing: "refused"}
    assert {name: result.status for name, result in results.items()} == expected
    assert bridge.exit_code(list(results.values())) == 1


def test_a_write_that_would_overwrite_a_clinician_hides_no_other(clinic: Clinic) -> None:
    judged_by_hand(clinic, clinic.plans[WRITING])
    results = clinic.sync()
    assert {name: result.status for name, result in results.items()} == {
        FAILING: "unchanged",
        WRITING: "refused",
        STILL: "unchanged",
    }
    assert results[WRITING].exit_code == 4
    assert "not-attainable" in results[WRITING].detail


def judged_by_hand(clinic: Clinic, plan: Plan) -> None:
    """A clinician says of every Goal of the plan what the nightly run would overwrite."""
    system = "http://terminology.hl7.org/CodeSystem/goal-achievement"
    by_hand = {"achievementStatus": {"coding": [{"system": system, "code": "not-attainable"}]}}
    record(clinic.base, [goal | by_hand for goal in held(clinic.base, "Goal", subject=plan.patient)])


def test_only_what_failed_is_run_again(clinic: Clinic, sandbox: Sandbox, tmp_path: Path) -> None:
    broken = fails_for(clinic.plans[FAILING])
    sandbox.misbehaviours.append(broken)
    results = clinic.sync()
    file = tmp_path / "results.ndjson"
    with bridge.LineFile(file) as lines:
        for result in results.values():
            lines.add(result)
    sandbox.misbehaviours.remove(broken)
    retried = bridge.plans_to_retry(file)
    assert retried == (clinic.plans[FAILING].id,)
    assert clinic.sync(FAILING)[FAILING].status in ("done", "unchanged")


def test_two_runs_on_one_ledger_do_not_mix(clinic: Clinic) -> None:
    with clinic.link(), pytest.raises(RunAgain), clinic.link():
        pass
