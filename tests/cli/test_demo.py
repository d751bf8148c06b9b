"""The demo, as a new user runs it, and its steps by hand."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.snapshots import assert_matches

COMMAND = Path(sys.executable).with_name("careplan-bridge")
TO_LOOK_AT = [
    "plan/plan.html",
    "visit-1.html",
    "visit-2.html",
    "visit-1-check.json",
    "would-be-sent.json",
    "results.ndjson",
]


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home with a folder to work in and one for temporary files; the demo was run in the first."""
    home = tmp_path_factory.mktemp("home")
    (home / "work").mkdir()
    (home / "tmp").mkdir()
    return home


def run(home: Path, *command: str) -> subprocess.CompletedProcess[str]:
    environ = {
        **os.environ,
        "HOME": str(home),
        "TMPDIR": str(home / "tmp"),
        "CAREPLAN_BRIDGE_LEDGER": str(home / "other.sqlite"),
    }
    environ["PATH"] = f"{COMMAND.parent}:{environ['PATH']}"
    return subprocess.run(command, cwd=home / "work", env=environ, capture_output=True, text=True, check=False)


@pytest.fixture(scope="module")
def demo(home: Path) -> subprocess.CompletedProcess[str]:
    return run(home, "careplan-bridge", "demo")


def test_it_ends_well_and_says_where_to_look(demo: subprocess.CompletedProcess[str], home: Path) -> None:
    assert demo.returncode == 0, demo.stderr
    for name in TO_LOOK_AT:
        file = home / "work" / "careplan-bridge-demo" / name
        assert str(file.resolve()) in demo.stdout
        assert file.stat().st_size > 0


@pytest.mark.usefixtures("demo")
def test_it_leaves_nothing_outside_its_folder(home: Path) -> None:
    assert [path.name for path in home.iterdir() if path.name not in ("work", "tmp")] == []
    assert [path.name for path in (home / "work").iterdir()] == ["careplan-bridge-demo"]
    assert list((home / "tmp").iterdir()) == []


def test_what_it_prints(demo: subprocess.CompletedProcess[str], home: Path) -> None:
    shown = demo.stdout.replace(str((home / "work").resolve()), "WORK")
    shown = re.sub(r"--port \d+", "--port PORT", shown)
    assert_matches(Path(__file__).parent / "snapshots" / "demo.txt", shown)


@pytest.mark.usefixtures("demo")
def test_it_does_not_write_over_what_is_there(home: Path) -> None:
    again = run(home, "careplan-bridge", "demo")
    assert again.returncode == 2
    assert again.stderr.strip().endswith("is not empty; name another folder with --to, or remove it.")
    assert "Traceback" not in again.stderr


@pytest.mark.usefixtures("demo")
def test_its_steps_by_hand_do_the_same(home: Path) -> None:
    by_hand = home / "work" / "careplan-bridge-demo" / "by-hand.sh"
    done = run(home, "sh", str(by_hand))
    assert done.returncode == 0, done.stderr
    for name in ("visit-2-check.json", "visit-2.html", "definitions/PlanDefinition-acl-reconstruction-1.0.0.json"):
        assert (by_hand.parent / "by-hand" / name).read_bytes() == (by_hand.parent / name).read_bytes()
