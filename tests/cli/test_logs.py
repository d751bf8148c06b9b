"""The log: what a line may hold, and that there is none unless asked for."""

import json
import logging
import re
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from careplan_bridge.cli import link
from careplan_bridge.cli.logs import KEYS
from careplan_bridge.cli.main import run
from careplan_bridge.sandbox import background
from careplan_bridge.sandbox.server import Sandbox
from tests.cli import desk

BOTH = (*desk.SERVER, *desk.SITE)
UUID = r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}"
MAY_BE = {
    "at": r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ",
    "level": "info|debug",
    "event": "began|ended|plan|request",
    "run": UUID,
    "command": "[a-z-]+",
    "plan": UUID,
    "what": r"(GET|POST|PUT|search) [A-Za-z]+(, page \d+)?|log in|find the login",
    "status": r"\d{3}|[a-z_]+",
    "request": UUID,
    "exit_code": r"\d+",
}


@pytest.fixture
def sandbox(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Sandbox]:
    """A desk beside a sandbox that knows the patient; nobody waits."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(link.time, "sleep", no_wait)
    with Sandbox() as sandbox:
        desk.lay_out(tmp_path)
        desk.point_at(tmp_path, sandbox.base)
        background.load(sandbox.base, (tmp_path / "patient.json").read_bytes())
        yield sandbox


def no_wait(_seconds: float) -> None:
    pass


def logged(path: Path) -> list[dict[str, Any]]:
    lines = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    for line in lines:
        assert set(line) <= set(KEYS)
        for key, value in line.items():
            assert re.fullmatch(MAY_BE[key], str(value)), (key, value)
    return lines


def test_every_key_has_a_form() -> None:
    assert set(MAY_BE) == set(KEYS)


@pytest.mark.usefixtures("sandbox")
def test_there_is_none_unless_asked_for(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["push", "plan/plan.json", *desk.SERVER]) == 0
    assert "{" not in capsys.readouterr().err
    assert not logging.getLogger("careplan_bridge").handlers


@pytest.mark.usefixtures("sandbox")
def test_a_run_is_found_by_its_id_by_plan_and_by_request(tmp_path: Path) -> None:
    log = tmp_path / "log.ndjson"
    assert run(["--log", "log.ndjson", "--verbose", "push", "plan/plan.json", *desk.SERVER]) == 0
    assert run(["--log", "log.ndjson", "--verbose", "sync", *BOTH, *desk.AT, "--to", "results.ndjson"]) == 0
    assert stat.S_IMODE(log.stat().st_mode) == 0o600
    lines = logged(log)
    runs = {line["run"] for line in lines}
    results = [json.loads(line) for line in (tmp_path / "results.ndjson").read_text().splitlines()]
    assert len(runs) == 2
    assert results[0]["run"] in runs
    plan = json.loads((tmp_path / "plan" / "plan.json").read_bytes())["id"]
    requests = [line for line in lines if line["event"] == "request"]
    assert {line["request"] for line in requests if line.get("plan") == plan}
    assert len({line["request"] for line in requests}) == len(requests)
    (of_plan,) = [line for line in lines if line["event"] == "plan"]
    assert (of_plan["plan"], of_plan["status"], of_plan["exit_code"]) == (plan, results[1]["status"], 0)
    assert [line["exit_code"] for line in lines if line["event"] == "ended"] == [0, 0]


@pytest.mark.usefixtures("sandbox")
def test_without_verbose_requests_are_left_out(tmp_path: Path) -> None:
    assert run(["--log", "log.ndjson", "push", "plan/plan.json", *desk.SERVER]) == 0
    assert [line["event"] for line in logged(tmp_path / "log.ndjson")] == ["began", "ended"]


def test_what_fails_is_logged_with_its_exit_code(sandbox: Sandbox, tmp_path: Path) -> None:
    sandbox.__exit__(None, None, None)
    assert run(["--log", "log.ndjson", "--verbose", "push", "plan/plan.json", *desk.SERVER]) == 3
    lines = logged(tmp_path / "log.ndjson")
    assert lines[-1]["exit_code"] == 3
    assert {line["event"] for line in lines} == {"began", "request", "ended"}


@pytest.mark.usefixtures("sandbox")
def test_to_stderr(capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert run(["--log", "-", "read", "visit-1.json", *desk.SITE]) == 0
    lines = [line for line in capsys.readouterr().err.splitlines() if line.startswith("{")]
    began, ended = map(json.loads, lines)
    assert (began["event"], ended["event"], ended["command"]) == ("began", "ended", "read")


@pytest.mark.usefixtures("sandbox")
def test_a_log_that_cannot_be_written_is_wrong_use_and_one_that_is_full_stops_nothing(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert run(["--log", "conventions.toml/log", "read", "visit-1.json", *desk.SITE]) == 2
    assert "cannot be written" in capsys.readouterr().err
    assert run(["--log", "/dev/full", "read", "visit-1.json", *desk.SITE]) == 0
    assert "Traceback" not in capsys.readouterr().err


@pytest.mark.usefixtures("sandbox")
def test_what_names_no_event_of_ours_is_left_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def talks(*_: object, **__: object) -> None:
        logging.getLogger("careplan_bridge.elsewhere").error("Patient/canary")
        raise KeyboardInterrupt

    monkeypatch.setattr("careplan_bridge.bridge.read", talks, raising=False)
    assert run(["--log", "log.ndjson", "read", "visit-1.json", *desk.SITE]) == 75
    assert "canary" not in (tmp_path / "log.ndjson").read_text(encoding="utf-8")
