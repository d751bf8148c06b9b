"""The sandbox in the background: what it takes for a sandbox, and what it leaves alone."""

import json
import subprocess
import sys
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from threading import Thread

import pytest

from careplan_bridge.cli.main import run
from careplan_bridge.sandbox import background
from careplan_bridge.sandbox.misbehaviours.registry import KINDS
from careplan_bridge.sandbox.server import Sandbox


@pytest.fixture
def bystander() -> Iterator[subprocess.Popen[bytes]]:
    """A process that is no sandbox; it lives until its standard input ends."""
    with subprocess.Popen(
        [sys.executable, "-c", "input()"], stdin=subprocess.PIPE, stderr=subprocess.DEVNULL
    ) as process:
        yield process
        process.kill()


class Stranger(BaseHTTPRequestHandler):
    """A FHIR server of somebody else."""

    def do_GET(self) -> None:
        self.send_response(200)
        self.end_headers()
        self.wfile.write(b'{"resourceType": "CapabilityStatement", "software": {"name": "another"}}')

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - as http.server names it
        del format, args


@pytest.fixture
def strange_base() -> Iterator[str]:
    server = HTTPServer(("127.0.0.1", 0), Stranger)
    Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}/fhir"
    server.shutdown()
    server.server_close()


def note(folder: Path, state: object) -> None:
    (folder / background.STATE).write_text(json.dumps(state), encoding="utf-8")


def is_left_alone(folder: Path, process: subprocess.Popen[bytes]) -> bool:
    assert background.running(folder) is None
    assert run(["sandbox", "--stop", "--folder", str(folder)]) == 2
    return process.poll() is None


def test_a_process_whose_base_is_silent_is_not_ended(tmp_path: Path, bystander: subprocess.Popen[bytes]) -> None:
    note(tmp_path, {"pid": bystander.pid, "base": f"http://127.0.0.1:{background.free_port()}/fhir"})
    assert is_left_alone(tmp_path, bystander)


def test_a_process_beside_somebody_elses_server_is_not_ended(
    tmp_path: Path, bystander: subprocess.Popen[bytes], strange_base: str
) -> None:
    note(tmp_path, {"pid": bystander.pid, "base": strange_base})
    assert is_left_alone(tmp_path, bystander)


def test_only_loopback_is_asked(tmp_path: Path, bystander: subprocess.Popen[bytes]) -> None:
    note(tmp_path, {"pid": bystander.pid, "base": "http://192.0.2.1/fhir"})
    assert is_left_alone(tmp_path, bystander)


@pytest.mark.parametrize("pid", [0, -1, 1, "x", None, [], True])
def test_what_is_no_process_id_is_never_used(
    tmp_path: Path, pid: object, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    asked: list[int] = []

    def kill(pid: int, _: int) -> None:
        asked.append(pid)

    monkeypatch.setattr("os.kill", kill)
    with Sandbox() as sandbox:
        note(tmp_path, {"pid": pid, "base": sandbox.base})
        assert run(["sandbox", "--stop", "--folder", str(tmp_path)]) == 2
    assert asked == []
    assert capsys.readouterr().err == f"no sandbox runs from {tmp_path}.\n"


@pytest.mark.parametrize("state", [[], {}, None, "x", {"pid": 4}, {"base": "http://127.0.0.1:1/fhir"}])
def test_a_damaged_note_is_no_sandbox(tmp_path: Path, state: object) -> None:
    note(tmp_path, state)
    assert background.running(tmp_path) is None


def test_from_start_to_end(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("http_proxy", "http://192.0.2.1:9")  # a shell's proxy is not asked for loopback
    folder, words = tmp_path / "data", ["sandbox", "--folder", str(tmp_path / "data")]
    assert run([*words, "--detach", "--port", "0"]) == 0
    try:
        assert background.running(folder) is not None
        assert run([*words, "--detach", "--port", "0"]) == 2
        bad = tmp_path / "bad.json"
        bad.write_text("no JSON", encoding="utf-8")
        assert run([*words, "--load", str(bad)]) == 2
        assert "the sandbox refused the Bundle: the body is not JSON" in capsys.readouterr().err
    finally:
        assert run([*words, "--stop"]) == 0
    assert background.running(folder) is None
    assert run([*words, "--stop"]) == 2


def test_data_for_a_sandbox_that_is_gone(tmp_path: Path) -> None:
    base = f"http://127.0.0.1:{background.free_port()}/fhir"
    with pytest.raises(background.SandboxProblem, match="does not answer"):
        background.load(base, b"{}")
    assert list(tmp_path.iterdir()) == []


def test_the_ways_to_misbehave_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["sandbox", "--misbehaviours"]) == 0
    shown = {line.split()[0]: line[32:] for line in capsys.readouterr().out.splitlines()}
    assert shown == {name: kind.stands_for for name, kind in KINDS.items()}


def test_a_misbehaviour_that_is_none(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["sandbox", "--misbehave", "429-second"]) == 2
    assert "near to it: 429-seconds" in capsys.readouterr().err


def test_one_in_the_background_misbehaves(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder, bundle = ["sandbox", "--folder", str(tmp_path)], tmp_path / "bundle.json"
    bundle.write_text('{"resourceType": "Bundle", "type": "transaction"}', encoding="utf-8")
    assert run([*folder, "--detach", "--port", "0", "--misbehave", "422-write"]) == 0
    try:
        assert run([*folder, "--load", str(bundle)]) == 2
        assert "switched on in the sandbox" in capsys.readouterr().err
    finally:
        assert run([*folder, "--stop"]) == 0
