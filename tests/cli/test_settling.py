"""What only a person can settle, as the keyboard has it: hand entry from a sheet, a conflict, a Patient who became another."""

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from careplan_bridge.cli.main import run
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.model.course import Responded
from careplan_bridge.sandbox import background
from careplan_bridge.sandbox.exchange import Answer, Asked, Handler
from careplan_bridge.sandbox.server import Sandbox
from tests.bridge.clinic import held, record
from tests.cli import desk
from tests.conftest import NOW

BOTH = (*desk.SERVER, *desk.SITE)
THAT_DAY = "2026-03-24"
BY = ("--person", "t-lindqvist", "--reason", "Looked at with the surgeon", *desk.AT)


@dataclass
class Desk(desk.Keyboard):
    """A pushed plan, and a decision to remain that is not signed yet."""

    base: str
    decision: str

    def sign(self, *more: str, ends: int = 0) -> str:
        return self.says("sign", self.decision, "--person", "t-lindqvist", *BOTH, *desk.AT, *more, ends=ends)

    def state(self) -> tuple[str, list[Responded]]:
        """Of the decision, and what was answered."""
        with Ledger(Path("careplan-bridge.sqlite"), now=lambda: NOW, owner="a look", writing=False) as ledger:
            (plan,) = ledger.plans()
            (kept,) = ledger.decisions(plan.id)
            return kept.state, list(plan.course.responses)


@pytest.fixture
def sandbox() -> Iterator[Sandbox]:
    with Sandbox() as sandbox:
        yield sandbox


@pytest.fixture
def at_desk(
    sandbox: Sandbox, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Desk:
    monkeypatch.chdir(tmp_path)
    desk.lay_out(tmp_path)
    desk.point_at(tmp_path, sandbox.base)
    background.load(sandbox.base, (tmp_path / "patient.json").read_bytes())
    assert run(["push", "plan/plan.json", *desk.SERVER]) == 0
    assert run(["criteria", "plan/plan.json", *BOTH, *desk.AT, "--to", "now.json"]) == 0
    capsys.readouterr()
    assert run(["decide", "now.json", "remain", "--reason", "x", *desk.SERVER, *desk.AT]) == 0
    return Desk(capsys, base=sandbox.base, decision=capsys.readouterr().out.strip())


def attention(at_desk: Desk, *, ends: int) -> list[str]:
    """What the nightly run says of the one plan, but for what waits anyway."""
    at_desk.says("sync", *BOTH, *desk.AT, "--to", "results.ndjson", ends=ends)
    said: list[str] = json.loads(Path("results.ndjson").read_bytes().splitlines()[1])["attention"]
    return [mark for mark in said if mark.startswith(("identity", "incomplete"))]


def plan_id() -> str:
    return json.loads(Path("plan/plan.json").read_bytes())["id"]


def test_a_decision_entered_by_hand(at_desk: Desk) -> None:
    with Path("endpoint.toml").open("r+", encoding="utf-8") as file:
        text = file.read()
        file.seek(0)
        file.write(f'plans = "ledger"\n{text}')
    said = at_desk.sign("--to", "sheet.html")
    assert "it is parked" in said
    assert at_desk.state()[0] == "parked"
    found = re.search(r"transcribed (\S+?)`", said)
    assert found is not None
    assert found[1] in Path("sheet.html").read_text(encoding="utf-8")
    assert "is not the code of this decision's sheet" in at_desk.says(
        "respond", at_desk.decision, "transcribed", "other", *BY, ends=1
    )
    at_desk.says("respond", at_desk.decision, "transcribed", found[1], *BY[:-1], THAT_DAY)
    state, (answer,) = at_desk.state()
    assert (state, answer.by, answer.about) == ("written", "t-lindqvist", "hand-entry")
    assert {one["status"] for one in held(at_desk.base, "CarePlan")} == {"draft"}
    assert answer.at == datetime.fromisoformat(f"{THAT_DAY}T23:59:59+01:00")  # a day is the clinic's, not UTC's


def changed(base: str, kind: str, **change: Any) -> str:
    """Somebody else writes one of our elements; the reference of the resource."""
    resource = {**held(base, kind)[0], **change}
    record(base, [resource])
    return f"{kind}/{resource['id']}"


def test_a_conflict_in_which_ours_is_to_stand(at_desk: Desk) -> None:
    reference = changed(at_desk.base, "Goal", lifecycleStatus="on-hold")
    assert f"respond PLAN conflict {reference}" in at_desk.sign(ends=4)
    words = ("respond", plan_id(), "conflict", reference, *desk.SERVER, *BY)
    assert "--keep ours or --keep theirs" in at_desk.says(*words, ends=2)
    at_desk.says(*words, "--keep", "ours")
    at_desk.sign()
    assert at_desk.state()[0] == "written"
    assert {one["lifecycleStatus"] for one in held(at_desk.base, "Goal")} == {"active"}


def test_a_conflict_in_which_theirs_is_to_stand(at_desk: Desk) -> None:
    reference = changed(at_desk.base, "Goal", lifecycleStatus="on-hold")
    at_desk.sign(ends=4)
    at_desk.says("respond", plan_id(), "conflict", reference, "--keep", "theirs", *desk.SERVER, *BY)
    at_desk.sign()
    assert at_desk.state()[0] == "written"
    assert {one["lifecycleStatus"] for one in held(at_desk.base, "Goal")} == {"active", "on-hold"}


def test_a_patient_who_became_another(at_desk: Desk) -> None:
    person = json.loads(Path("plan/plan.json").read_bytes())["patient"]
    survivor = {"resourceType": "Patient", "id": "survivor"}
    replaced = {"other": {"reference": "Patient/survivor"}, "type": "replaced-by"}
    record(at_desk.base, [survivor, {"resourceType": "Patient", "id": person.partition("/")[2], "link": [replaced]}])
    for words in (("criteria", "plan/plan.json", *BOTH, *desk.AT), ("next-visit", "plan/plan.json", *BOTH, *desk.AT)):
        assert "not everything could be pulled: read Patient: identity changed" in at_desk.says(*words)
    assert "Identity changed: The Patient was merged into another; settle" in at_desk.says(
        "criteria", "plan/plan.json", *BOTH, *desk.AT
    )
    assert attention(at_desk, ends=1) == ["identity-changed: patient", "incomplete: retrieval"]
    assert "merged into another" in at_desk.sign(ends=1)
    assert "respond PLAN identity" in at_desk.says("push", "plan/plan.json", *desk.SERVER, ends=4)
    at_desk.says("respond", plan_id(), "identity", "Patient/survivor", *desk.SERVER, *BY)
    assert attention(at_desk, ends=0) == []
    with Ledger(Path("careplan-bridge.sqlite"), now=lambda: NOW, owner="a look", writing=False) as ledger:
        (plan,) = ledger.plans()
    assert (plan.patient, plan.revision) == ("Patient/survivor", 2)


def no_updates_of_plans(asked: Asked, handler: Handler) -> Answer:
    return Answer(405) if asked.method == "PUT" and asked.path[0] == "CarePlan" else handler(asked)


def test_what_a_server_refused_is_observed_until_it_is_forgotten(at_desk: Desk, sandbox: Sandbox) -> None:
    with Path("endpoint.toml").open("r+", encoding="utf-8") as file:
        text = file.read()
        file.seek(0)
        file.write(f'transactions = "never"\n{text}')
    sandbox.misbehaviours.append(no_updates_of_plans)
    assert "no CarePlan.update here. The next run goes without it" in at_desk.sign(ends=1)
    sandbox.misbehaviours.clear()
    shown = ("endpoint", "endpoint.toml")
    assert re.search(r"CarePlan\.update +yes +- +no +no", at_desk.says(*shown))
    assert "write each signed decision as one DocumentReference" in at_desk.says(*shown)
    assert re.search(r"CarePlan\.update +yes +- +- +yes", at_desk.says(*shown, "--forget"))
    at_desk.sign()
    assert {one["status"] for one in held(at_desk.base, "CarePlan")} == {"active"}
