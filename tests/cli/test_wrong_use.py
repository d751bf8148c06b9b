"""What goes wrong at the keyboard: a sentence, an exit code, never a traceback."""

import io
import os
import shlex
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from careplan_bridge.cli import main
from careplan_bridge.cli.main import run
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.sandbox import background
from tests.cli import desk
from tests.conftest import NOW

WRONG = """
2 | chek | There is no command 'chek'. Did you mean 'check'? See: careplan-bridge --help
2 | xyzzy | There is no command 'xyzzy'. See: careplan-bridge --help
2 | read visit-1.json --convention conventions.toml | No such option
2 | check | Missing argument
2 | check nowhere.yaml | 'nowhere.yaml' does not exist
2 | check folder | 'folder' is a directory
2 | check patient.json | say which it is with --as
1 | check empty.yaml | empty.yaml:1:1: the file is empty
1 | check --as protocol patient.json | `stages` is missing
2 | convert protocol.yaml | Missing option '--conventions'
1 | convert case.yaml --conventions conventions.toml | case.yaml: this is a case file; a protocol file is needed here.
1 | convert conventions.toml --conventions conventions.toml | this is a conventions file; a protocol file is needed here.
1 | convert protocol.yaml --conventions endpoint.toml | this is an endpoint file; a conventions file is needed here.
1 | push plan/plan.json --endpoint conventions.toml | this is a conventions file; an endpoint file is needed here.
2 | convert protocol.yaml --conventions conventions.toml --to conventions.toml/x | cannot be written
1 | draft case.yaml protocol.yaml --conventions conventions.toml --to made | case.yaml: this is a case file; a protocol file is needed here.
2 | draft protocol.yaml case.yaml --conventions conventions.toml | Missing option '--to'
2 | push nowhere.json --endpoint endpoint.toml | does not exist
1 | push patient.json --endpoint endpoint.toml | this is a FHIR resource, no plan document
1 | push check.json --endpoint endpoint.toml | this is our document 'criteria-check', no plan document
2 | push protocol.yaml --endpoint endpoint.toml | conventions
3 | push plan/plan.json --endpoint endpoint.toml | the server cannot be reached
3 | pull plan/plan.json --endpoint endpoint.toml --to got.ndjson | the server cannot be reached
2 | pull unknown --endpoint endpoint.toml --to got.ndjson | neither the path of a plan document nor the id of a plan
2 | read nowhere.json --conventions conventions.toml | nowhere.json: cannot be read
1 | read case.yaml --conventions conventions.toml | this is no JSON
2 | criteria nope visit-1.json --conventions conventions.toml | nor is there a ledger in which it could be
2 | criteria nope visit-1.json --conventions conventions.toml --ledger ledger.sqlite | nor the id of a plan in the ledger
1 | criteria patient.json visit-1.json --conventions conventions.toml | this is a FHIR resource, no plan document
2 | criteria plan/plan.json --conventions conventions.toml | Name either Observation files or --endpoint
2 | criteria plan/plan.json visit-1.json --conventions conventions.toml --at yesterday | neither a day
2 | review nowhere.json | nowhere.json: cannot be read
2 | review folder | folder: cannot be read
1 | review patient.json | this is a FHIR resource, no criteria check
1 | review plan/plan.json | A plan is checked first where --endpoint and --conventions are named.
2 | review check.json --at 2026-03-24 | --at goes with --endpoint
2 | decide check.json jump --reason x | 'jump' is not one of
2 | decide check.json advance --reason x | There is no ledger at careplan-bridge.sqlite
2 | decide check.json remain --reason x --ledger ledger.sqlite | is not in the ledger ledger.sqlite; `push` puts a plan there
2 | sign unknown --person t-lindqvist --endpoint endpoint.toml --conventions conventions.toml | There is no ledger at careplan-bridge.sqlite
2 | respond check.json excess flexion --person s-oyelaran --reason x | There is no ledger at careplan-bridge.sqlite
2 | respond check.json excess flexion --person s-oyelaran --reason x --ledger ledger.sqlite | is not in the ledger ledger.sqlite
2 | sync --endpoint endpoint.toml --conventions conventions.toml --ledger mistyped.sqlite | There is no ledger at mistyped.sqlite
2 | sync --endpoint endpoint.toml --conventions conventions.toml --ledger case.yaml | can't be opened as a ledger
2 | sync --endpoint endpoint.toml --conventions conventions.toml --ledger folder | is a directory
1 | sync --endpoint endpoint.toml --conventions conventions.toml --retry case.yaml --ledger ledger.sqlite | no results file
2 | ledger verfy | There is no command 'verfy'. Did you mean 'verify'? See: careplan-bridge ledger --help
2 | ledger verify | there is no ledger at careplan-bridge.sqlite
2 | ledger verify --ledger patient.json | can't be opened as a ledger
2 | ledger backup --to copy.sqlite | there is no ledger at careplan-bridge.sqlite
2 | ledger backup --to case.yaml --ledger ledger.sqlite | a backup never takes another's place
2 | ledger backup --to nowhere/copy.sqlite --ledger ledger.sqlite | choose another place
2 | ledger export --to x.ndjson | there is no ledger at careplan-bridge.sqlite
2 | ledger export --ledger ledger.sqlite --plan unknown | plan unknown is not in this ledger
2 | ledger purge unknown --ledger ledger.sqlite | Missing option '--reason'
2 | ledger purge unknown --ledger ledger.sqlite --reason x | plan unknown is not in the ledger ledger.sqlite
2 | ledger purge unknown --reason x | there is no ledger at careplan-bridge.sqlite
2 | sandbox --stop | needs --folder
2 | sandbox --port 65536 | 65536 is not in the range
2 | sandbox --detach | needs --folder
2 | sandbox --stop --folder nowhere | no sandbox runs from nowhere
2 | sandbox --load visit-1.json | --load needs a sandbox in the background
2 | sandbox --folder conventions.toml | is a file
2 | demo --to conventions.toml | conventions.toml cannot be used as a folder
2 | demo --to plan | plan is not empty
"""
CASES = [tuple(line.split(" | ")) for line in WRONG.strip().splitlines()]


@pytest.fixture
def at_desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Path:
    monkeypatch.chdir(tmp_path)
    desk.lay_out(tmp_path)
    an_empty_ledger(tmp_path / "ledger.sqlite")
    capsys.readouterr()
    return tmp_path


def an_empty_ledger(path: Path) -> None:
    with Ledger(path, now=lambda: NOW, owner="a test"):
        pass


def files(folder: Path) -> set[str]:
    """What lies there, but for a ledger that a command may have opened."""
    return {path.name for path in folder.iterdir() if "sqlite" not in path.name}


@pytest.mark.parametrize(("code", "words", "says"), CASES, ids=[case[1] for case in CASES])
def test_a_sentence_and_an_exit_code(
    at_desk: Path, capsys: pytest.CaptureFixture[str], code: str, words: str, says: str
) -> None:
    before = files(at_desk)
    found = run(shlex.split(words))
    shown = capsys.readouterr()
    assert says in shown.err + (shown.out if words.startswith("check ") else "")
    assert found == int(code)
    assert "Traceback" not in shown.err
    assert code != "2" or len(shown.err.splitlines()) == 1
    assert files(at_desk) == before


def test_a_locked_ledger_asks_for_patience(at_desk: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with Ledger(at_desk / "careplan-bridge.sqlite", now=lambda: NOW, owner="another command"):
        assert run(["sync", *desk.SERVER, *desk.SITE]) == 75
    assert "another command" in capsys.readouterr().err


def test_a_taken_port_is_named(at_desk: Path, capsys: pytest.CaptureFixture[str]) -> None:
    del at_desk
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        port = listening.getsockname()[1]
        assert run(["sandbox", "--port", str(port)]) == 2
    assert f"cannot listen on port {port}" in capsys.readouterr().err


def test_a_taken_port_is_named_from_the_background_too(at_desk: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        port = listening.getsockname()[1]
        assert run(["sandbox", "--detach", "--folder", "data", "--port", str(port)]) == 2
    assert f"cannot listen on port {port}" in capsys.readouterr().err
    assert background.running(at_desk / "data") is None


def test_a_sandbox_that_refuses_its_data_does_not_stay(at_desk: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (at_desk / "broken.json").write_text('{"resourceType": "Bundle", "type": "transaction", "entry": 1}', "utf-8")
    assert run(["sandbox", "--detach", "--folder", "data", "--port", "0", "--load", "broken.json"]) == 2
    assert "refused the Bundle" in capsys.readouterr().err
    assert background.running(at_desk / "data") is None


def test_production_decides_now(at_desk: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shipped = (at_desk / "endpoint.toml").read_text(encoding="utf-8")
    text = shipped.replace('"sandbox"', '"production"').replace("http://", "https://")
    (at_desk / "endpoint.toml").write_text(text, encoding="utf-8")
    assert (
        run(["decide", "check.json", "advance", "--reason", "x", "--ledger", "ledger.sqlite", *desk.SERVER, *desk.AT])
        == 2
    )
    assert "Decisions on a production endpoint are made now; leave --at out." in capsys.readouterr().err


def test_an_empty_standard_input_is_no_observation(
    at_desk: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    del at_desk
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO()))
    assert run(["read", "-", *desk.SITE]) == 0
    assert "no Observation was found" in capsys.readouterr().err


def test_a_full_disk_is_said(
    at_desk: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    del at_desk
    with Path("/dev/full").open("w", encoding="utf-8") as full:
        monkeypatch.setattr(sys, "stdout", full)
        assert run(["review", "check.json", "--format", "json"]) == 75
    assert "there is no room left" in capsys.readouterr().err


def test_an_interruption_says_that_nothing_is_lost(
    at_desk: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    del at_desk
    monkeypatch.setattr("careplan_bridge.bridge.read", interrupted, raising=False)
    assert run(["read", "visit-1.json", *desk.SITE]) == 75
    assert "run the same command again" in capsys.readouterr().err


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "utf-8"])
def test_every_terminal_can_show_a_check(at_desk: Path, encoding: str) -> None:
    environ = {**os.environ, "LC_ALL": "C", "PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"}
    words = [
        sys.executable,
        "-m",
        "careplan_bridge",
        "criteria",
        "plan/plan.json",
        "visit-1.json",
        *desk.SITE,
        *desk.AT,
    ]
    done = subprocess.run(words, cwd=at_desk, env=environ, capture_output=True, check=False)
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"[not met]" in done.stdout


def test_the_page_is_utf_8_in_every_terminal(at_desk: Path) -> None:
    environ = {**os.environ, "LC_ALL": "C", "PYTHONIOENCODING": "latin-1"}
    words = [sys.executable, "-m", "careplan_bridge", "review", "check.json"]
    done = subprocess.run(words, cwd=at_desk, env=environ, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr
    assert run(["review", "check.json", "--to", "page.html"]) == 0
    assert done.stdout == (at_desk / "page.html").read_bytes()


def test_a_reader_that_goes_away_leaves_it_done_in_part_without_a_word(at_desk: Path) -> None:
    words = [sys.executable, "-m", "careplan_bridge", "convert", "protocol.yaml", *desk.SITE]
    with subprocess.Popen(words, cwd=at_desk, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        said = process.stderr.read()
    assert (process.returncode, said) == (1, b"")


def test_a_fault_of_ours_is_called_one(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("Patient/canary")

    monkeypatch.delenv("CAREPLAN_BRIDGE_DEBUG", raising=False)
    monkeypatch.setattr(main.program, "main", broken)
    assert run(["check"]) == 70
    said = capsys.readouterr().err
    assert "RuntimeError at test_wrong_use.py" in said
    assert "canary" not in said
