"""The wheel holds everything the package needs, and works where no source tree is."""

import os
import subprocess
import sys
import zipfile
from importlib.util import find_spec
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
SHIPPED = {"mappings": "mappings", "fixtures": "fixtures", "docs/schemas": "schemas"}
PIP = [sys.executable, "-m", "pip", "--disable-pip-version-check", "--quiet"]
# Coverage follows processes by it; measured here, each module would stand in the report a second time, in a folder that is gone.
FOLLOWED_BY_COVERAGE = "COVERAGE_PROCESS_CONFIG"


def finished(*words: str, cwd: Path, **environ: str) -> str:
    """Runs it and gives its stdout."""
    around = {name: value for name, value in os.environ.items() if name != FOLLOWED_BY_COVERAGE}
    done = subprocess.run(words, cwd=cwd, env={**around, **environ}, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    if find_spec("hatchling") is None:
        assert not os.environ.get("CI"), "hatchling is missing: it stands in the lock files"
        pytest.skip("hatchling is missing; it comes with the extra `test`")
    folder = tmp_path_factory.mktemp("wheel")
    finished(*PIP, "wheel", "--no-deps", "--no-build-isolation", "--wheel-dir", str(folder), str(TOP), cwd=folder)
    (made,) = folder.glob("*.whl")
    return made


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder that holds the package as pip unpacks it, and nothing else."""
    folder = tmp_path_factory.mktemp("installed")
    finished(*PIP, "install", "--no-deps", "--no-index", "--target", str(folder), str(wheel), cwd=folder)
    return folder


def inside(wheel: Path) -> set[str]:
    with zipfile.ZipFile(wheel) as archive:
        return set(archive.namelist())


@pytest.mark.parametrize("source", SHIPPED)
def test_it_holds_all_data(wheel: Path, source: str) -> None:
    there = {path.relative_to(TOP / source).as_posix() for path in (TOP / source).rglob("*") if path.is_file()}
    prefix = f"careplan_bridge/shipped/{SHIPPED[source]}/"
    assert there
    assert {name.removeprefix(prefix) for name in inside(wheel) if name.startswith(prefix)} == there


def test_it_holds_every_file_of_the_package(wheel: Path) -> None:
    package = TOP / "src" / "careplan_bridge"
    files = (path for path in package.rglob("*") if path.is_file() and "__pycache__" not in path.parts)
    own = {f"careplan_bridge/{path.relative_to(package).as_posix()}" for path in files}
    assert {"careplan_bridge/py.typed", "careplan_bridge/sandbox/definitions.json"} <= own
    assert [name for name in own if name.startswith("careplan_bridge/review/templates/")]
    assert own <= inside(wheel)


def test_it_holds_nothing_of_the_house(wheel: Path) -> None:
    assert {name.split("/")[0].partition("-")[0] for name in inside(wheel)} == {"careplan_bridge"}


def test_its_commands_find_what_it_ships(installed: Path, tmp_path: Path) -> None:
    ours = [sys.executable, "-m", "careplan_bridge"]
    examples = installed / "careplan_bridge" / "shipped" / "fixtures"
    protocol = str(examples / "protocols" / "acl-reconstruction.yaml")
    where = "import careplan_bridge; print(careplan_bridge.__file__)"
    path = str(installed)
    assert finished(sys.executable, "-c", where, cwd=tmp_path, PYTHONPATH=path).startswith(path)
    assert finished(*ours, "check", protocol, cwd=tmp_path, PYTHONPATH=path) == ""
    site = str(examples / "conventions.toml")
    bundle = finished(*ours, "convert", protocol, "--conventions", site, cwd=tmp_path, PYTHONPATH=path)
    assert '"resourceType": "PlanDefinition"' in bundle
