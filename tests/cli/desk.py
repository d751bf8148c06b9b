"""A folder as a new user has it: the shipped examples under short names, and documents made of them."""

import shutil
from dataclasses import dataclass
from pathlib import Path

import pytest

from careplan_bridge.cli.main import run
from careplan_bridge.sandbox.background import free_port

FIXTURES = Path(__file__).parents[2] / "fixtures"
EXAMPLES = {
    "protocol.yaml": "protocols/acl-reconstruction.yaml",
    "case.yaml": "cases/acl-quay-01.yaml",
    "conventions.toml": "conventions.toml",
    "endpoint.toml": "endpoints/sandbox.toml",
    "patient.json": "demo/patient.json",
    "visit-1.json": "demo/visit-1.json",
}
AT = ("--at", "2026-03-24T12:00:00+01:00")
SITE = ("--conventions", "conventions.toml")
SERVER = ("--endpoint", "endpoint.toml")


@dataclass
class Keyboard:
    """Types commands, and reads what they say."""

    capsys: pytest.CaptureFixture[str]

    def says(self, *words: str, ends: int = 0) -> str:
        self.capsys.readouterr()
        found = run(list(words))
        shown = self.capsys.readouterr()
        assert found == ends, shown.err
        return shown.out + shown.err


def lay_out(folder: Path) -> None:
    """The files, a drafted plan, and `check.json`; the endpoint is a port at which nobody listens. `folder` is the current one."""
    for name, source in EXAMPLES.items():
        shutil.copy(FIXTURES / source, folder / name)
    point_at(folder, f"http://127.0.0.1:{free_port()}/fhir")
    (folder / "folder").mkdir()
    (folder / "empty.yaml").touch()
    assert run(["draft", "protocol.yaml", "case.yaml", *SITE, "--to", "plan"]) == 0
    assert run(["criteria", "plan/plan.json", "visit-1.json", *SITE, *AT, "--to", "check.json"]) == 0


def point_at(folder: Path, base: str) -> None:
    """The endpoint file names this server."""
    shipped = (FIXTURES / EXAMPLES["endpoint.toml"]).read_text(encoding="utf-8")
    text = shipped.replace("http://127.0.0.1:8765/fhir", base)
    (folder / "endpoint.toml").write_text(text, encoding="utf-8")
