"""Every JSON document on stdout says what it is, in which version, and carries the cautions."""

import json
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from careplan_bridge.cli.main import run
from careplan_bridge.files.documents import read_plan
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.model.cautions import CAUTIONS
from careplan_bridge.model.course import Decided
from careplan_bridge.sandbox import background
from careplan_bridge.sandbox.server import Sandbox
from tests.cli import desk
from tests.conftest import NOW

SCHEMAS = desk.FIXTURES.parent / "docs" / "schemas"
BOTH = (*desk.SERVER, *desk.SITE)


class Desk:
    """Runs commands in the current folder and reads their stdout as one document."""

    def __init__(self, capsys: pytest.CaptureFixture[str]) -> None:
        self._capsys = capsys

    def does(self, *words: str) -> None:
        assert run(list(words)) == 0, self._capsys.readouterr().err

    def document(self, *words: str) -> Any:
        self._capsys.readouterr()
        self.does(*words, "--format", "json")
        return self.printed()

    def printed(self) -> Any:
        return json.loads(self._capsys.readouterr().out)


@pytest.fixture
def person(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Iterator[Desk]:
    """A desk beside a sandbox that knows the patient."""
    monkeypatch.chdir(tmp_path)
    with Sandbox() as sandbox:
        desk.lay_out(tmp_path)
        desk.point_at(tmp_path, sandbox.base)
        background.load(sandbox.base, (tmp_path / "patient.json").read_bytes())
        yield Desk(capsys)


def is_named(document: Any, name: str) -> bool:
    schema = json.loads((SCHEMAS / f"{name}.json").read_bytes())
    jsonschema.validate(document, schema, jsonschema.Draft202012Validator)
    return (document["document"], document["version"], document["cautions"]) == (name, 1, list(CAUTIONS))


def test_what_needs_no_server(person: Desk) -> None:
    assert is_named(person.document("check", "protocol.yaml"), "faults")
    assert run(["check", "empty.yaml", "--format", "json"]) == 1
    assert is_named(person.printed(), "faults")
    assert is_named(person.document("read", "visit-1.json", *desk.SITE), "readings")
    assert is_named(
        person.document("criteria", "plan/plan.json", "visit-1.json", *desk.SITE, *desk.AT), "criteria-check"
    )
    assert is_named(person.document("review", "check.json"), "criteria-check")
    next_visit = ("next-visit", "plan/plan.json", "visit-1.json", *desk.SITE, *desk.AT)
    assert is_named(person.document(*next_visit, "--to", "next-visit.html"), "next-visit")
    assert Path("next-visit.html").read_text(encoding="utf-8").startswith("<!doctype html>")


def test_what_is_done_on_a_server(person: Desk) -> None:
    assert is_named(person.document("push", "plan/plan.json", *desk.SERVER), "receipt")
    person.does("criteria", "plan/plan.json", *BOTH, *desk.AT, "--to", "nothing-measured.json")
    decided = person.document("decide", "nothing-measured.json", "remain", "--reason", "x", *desk.SERVER, *desk.AT)
    assert is_named(decided, "decision")
    signed = person.document("sign", decided["id"], "--person", "t-lindqvist", *BOTH, *desk.AT)
    assert is_named(signed, "signing")
    assert is_named(signed["decision"], "decision")
    assert is_named(signed["receipt"], "receipt")


def test_a_response(person: Desk) -> None:
    person.does("push", "plan/plan.json", *desk.SERVER)
    words = ("excess", "flexion", "--person", "s-oyelaran", "--reason", "Seen the same day", *desk.AT)
    answered = person.document("respond", "check.json", *words)
    assert is_named(answered, "response")
    assert answered["response"]["subject"] == "flexion"
    assert answered["response"]["by"] == "s-oyelaran"


def test_the_results_of_a_run(person: Desk, capsys: pytest.CaptureFixture[str]) -> None:
    person.does("push", "plan/plan.json", *desk.SERVER)
    capsys.readouterr()
    person.does("sync", *BOTH, *desk.AT)
    assert is_named(json.loads(capsys.readouterr().out.splitlines()[0]), "sync-results")


def test_the_ledgers_own(person: Desk, capsys: pytest.CaptureFixture[str]) -> None:
    person.does("push", "plan/plan.json", *desk.SERVER)
    person.does("criteria", "plan/plan.json", *BOTH, *desk.AT, "--to", "nothing-measured.json")
    person.does("decide", "nothing-measured.json", "remain", "--reason", "x", *desk.AT)
    verified = person.document("ledger", "verify")
    assert is_named(verified, "ledger-verification")
    assert verified["faults"] == []
    assert verified["waiting_decisions"] == 1
    capsys.readouterr()
    person.does("ledger", "export")
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert is_named(lines[0], "ledger-export")
    schema = json.loads((SCHEMAS / "ledger-export.json").read_bytes())
    for line in lines:
        jsonschema.validate(line, schema, jsonschema.Draft202012Validator)
    assert {line.get("line") for line in lines} == {None, "plan", "check", "decision", "intent", "link", "end"}
    assert lines[0]["head"] == verified["head"]


def test_a_purge(person: Desk, tmp_path: Path) -> None:
    with Ledger(tmp_path / "careplan-bridge.sqlite", now=lambda: NOW, owner="test") as ledger:
        closed = read_plan(tmp_path / "plan" / "plan.json")
        ledger.add_plan(closed)
        entry = Decided(at=NOW, decision="d", kind="discharge", stage="discharge", by=("t",), reason="x")
        ledger.append(closed.id, entry)
    rehearsed = person.document("ledger", "purge", closed.id, "--reason", "kept long enough", "--dry-run")
    assert is_named(rehearsed, "ledger-purge")
    assert rehearsed["dry_run"]
    assert rehearsed["removed"]["events"] == 1
    person.does("ledger", "purge", closed.id, "--reason", "kept long enough")
    assert run(["push", "plan/plan.json", *desk.SERVER]) == 1


def test_a_ledger_that_was_edited(person: Desk, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    person.does("push", "plan/plan.json", *desk.SERVER)
    person.does("ledger", "backup", "--to", "copy.sqlite")
    said = capsys.readouterr().err
    head = person.document("ledger", "verify")["head"]
    assert f"the head of its chain is {head}" in said
    db = sqlite3.connect(tmp_path / "copy.sqlite")
    db.execute("DELETE FROM revisions")
    db.commit()
    db.close()
    assert run(["ledger", "verify", "--ledger", "copy.sqlite"]) == 1
    assert "it was removed: link 2 is about it" in capsys.readouterr().out
    assert run(["ledger", "verify", "--head", f"9{head}"]) == 1
    assert "it does not go through" in capsys.readouterr().out
