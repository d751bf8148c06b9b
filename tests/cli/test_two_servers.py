"""Two servers named by one endpoint file, as the keyboard has them."""

import json
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import jsonschema
import pytest

from careplan_bridge.sandbox import background
from careplan_bridge.sandbox.server import Sandbox
from tests.bridge.clinic import held, record
from tests.cli import desk

SCHEMAS = Path(__file__).parents[2] / "docs" / "schemas"
BOTH = (*desk.SERVER, *desk.SITE)
THERE = "Patient/there"


@dataclass
class Desk(desk.Keyboard):
    readings: str
    record: str


@pytest.fixture
def at_desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Iterator[Desk]:
    """The endpoint file names `record/endpoint.toml`, relative to itself and not to the current folder."""
    monkeypatch.chdir(tmp_path)
    with Sandbox() as readings, Sandbox() as kept:
        desk.lay_out(tmp_path)
        (tmp_path / "record").mkdir()
        desk.point_at(tmp_path, kept.base)
        shutil.move(tmp_path / "endpoint.toml", tmp_path / "record" / "endpoint.toml")
        desk.point_at(tmp_path, readings.base)
        text = (tmp_path / "endpoint.toml").read_text(encoding="utf-8")
        own = "\n".join(line for line in text.splitlines() if not line.startswith(("unsigned", "us_core")))
        (tmp_path / "endpoint.toml").write_text(f'{own}\n[roles]\nplans = "record/endpoint.toml"\n', encoding="utf-8")
        for name in ("patient.json", "visit-1.json"):
            background.load(readings.base, (tmp_path / name).read_bytes())
        record(kept.base, [{"resourceType": "Patient", "id": "there"}])
        yield Desk(capsys, readings=readings.base, record=kept.base)


def test_from_the_push_to_the_nightly_run(at_desk: Desk) -> None:
    assert "which Patient of" in at_desk.says("push", "plan/plan.json", *desk.SERVER, ends=2)
    at_desk.says("push", "plan/plan.json", *desk.SERVER, "--patient", THERE)
    at_desk.says("pull", "plan/plan.json", *desk.SERVER, "--to", "got.ndjson")
    header = json.loads(Path("got.ndjson").read_bytes().splitlines()[0])
    assert header["complete"]
    assert header["observations"] > 0
    at_desk.says("criteria", "plan/plan.json", *BOTH, *desk.AT, "--to", "now.json")
    said = at_desk.says(
        "decide", "now.json", "remain", "--reason", "x", *desk.SERVER, *desk.AT, "--to", "decision.json"
    )
    assert "the readings lie on another server" in said
    at_desk.says("sign", "decision.json", "--person", "t-lindqvist", *BOTH, *desk.AT)
    assert [one["subject"]["reference"] for one in held(at_desk.record, "CarePlan")] == [THERE]
    assert held(at_desk.readings, "CarePlan") == []
    ran = at_desk.says("sync", *BOTH, *desk.AT)
    assert json.loads(ran.splitlines()[1])["status"] in ("done", "unchanged")


def test_each_server_is_named_with_what_it_is_for(at_desk: Desk) -> None:
    said = at_desk.says("endpoint", "endpoint.toml")
    reads, writes = said.split("plans and decisions are written to")
    assert "readings are pulled from" in reads
    assert "read a person's Observations" in reads
    assert "CarePlan.create" not in reads
    assert "Observation.search-type" not in writes
    assert "write a decision as one transaction, then Provenance" in writes
    report = json.loads(at_desk.says("endpoint", "endpoint.toml", "--format", "json"))
    jsonschema.validate(
        report, json.loads((SCHEMAS / "capabilities.json").read_bytes()), jsonschema.Draft202012Validator
    )
    assert (report["role"], report["route"], report["plans"]["role"]) == ("readings", None, "plans")


def test_it_is_well_where_both_are(at_desk: Desk, tmp_path: Path) -> None:
    at_desk.says("endpoint", "endpoint.toml", "--health")
    (tmp_path / "record").rename(tmp_path / "elsewhere")
    (tmp_path / "record").mkdir()
    text = (tmp_path / "elsewhere" / "endpoint.toml").read_text(encoding="utf-8")
    nobody = text.replace(at_desk.record, "http://127.0.0.1:9/fhir")
    (tmp_path / "record" / "endpoint.toml").write_text(nobody, encoding="utf-8")
    said = at_desk.says("endpoint", "endpoint.toml", "--health", ends=3)
    assert "the server cannot be reached" in said


@pytest.mark.parametrize(
    ("named", "says"),
    [
        ("nowhere.toml", "as the endpoint file of the server for plans; there is no such file"),
        ("endpoint.toml", "it can't name yet another one in `[roles]`"),
        ("conventions.toml", "an endpoint file is needed here"),
    ],
)
def test_what_is_no_file_of_a_server_for_plans(at_desk: Desk, tmp_path: Path, named: str, says: str) -> None:
    file = tmp_path / "endpoint.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("record/endpoint.toml", named), encoding="utf-8")
    said = at_desk.says("push", "plan/plan.json", *desk.SERVER, ends=1 if named == "conventions.toml" else 2)
    assert says in said


def test_a_role_and_a_patient_belong_where_they_mean_something(at_desk: Desk) -> None:
    assert "a protocol is about nobody" in at_desk.says("push", "protocol.yaml", *BOTH, "--patient", THERE, ends=2)
    by = ("--person", "t-lindqvist", "--reason", "x", *desk.AT)
    words = ("respond", "plan/plan.json", "conflict", "Goal/1", "--keep", "ours", "--role", "plans")
    assert "--role belongs to an identity" in at_desk.says(*words, *by, *desk.SERVER, ends=2)
