"""Runs the oracles' engines, each in one Node process for a whole batch."""

import json
import shutil
import subprocess
from collections.abc import Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from careplan_bridge.model.criterion import Criterion
from tests.conformance import real_parts
from tests.oracles import cql_export, fhirpath_export
from tests.oracles.cases import Record, asked
from tests.oracles.clinics import SETTINGS, Setting
from tests.oracles.observations import bundle

if TYPE_CHECKING:
    from collections.abc import Generator

HERE = Path(__file__).parent
Answers = list[list[Any]]


@dataclass(frozen=True, slots=True)
class Running:
    """One engine at work on its records."""

    process: subprocess.Popen[str]
    folder: Path

    def answers(self) -> Any:
        """What it wrote, once it has ended. Raises AssertionError with its own words if it failed."""
        _, said = self.process.communicate()
        assert self.process.returncode == 0, said
        return json.loads((self.folder / "answers.json").read_text(encoding="utf-8"))


def why_not() -> str | None:
    """Why the engines cannot be run, and what would mend it; None where they can."""
    return why_no_node() or real_parts.why_no_java(real_parts.CQL_JAR)


def why_no_node() -> str | None:
    """The same for those that need nothing but Node."""
    if shutil.which("node") is None:
        return "no node is in PATH: install Node 18 or later with npm (Debian: nodejs npm)"
    if not (HERE / "node_modules").is_dir():
        return "the engines are not installed: npm ci --prefix tests/oracles"
    return None


@contextmanager
def fhirpath(folder: Path, records: Sequence[Record]) -> "Generator[Running, None, None]":
    settings = {
        one.name: {
            "calendar": fhirpath_export.calendar(one),
            "expressions": {criterion.id: fhirpath_export.expression(criterion, one) for criterion in asked()},
        }
        for one in SETTINGS
    }
    with running("fhirpath.mjs", folder, {"settings": settings, "records": _records(records)}) as process:
        yield process


@contextmanager
def cql(folder: Path, records: Sequence[Record]) -> "Generator[Running, None, None]":
    settings = {name: {"elm": str(elm)} for name, elm in translated(folder, SETTINGS, asked()).items()}
    with running("cql.mjs", folder, {"settings": settings, "records": _records(records)}) as process:
        yield process


def translated(folder: Path, settings: Sequence[Setting], criteria: Sequence[Criterion]) -> dict[str, Path]:
    """The ELM of the criteria for each setting by its name, all translated in one process."""
    files = {one.name: folder / f"{one.name}.cql" for one in settings}
    for one in settings:
        files[one.name].write_text(cql_export.library(criteria, one), encoding="utf-8")
    translator = ["java", "-XX:TieredStopAtLevel=1", "-XX:+UseSerialGC", "-jar", str(real_parts.CQL_JAR)]
    done = subprocess.run([*translator, *map(str, files.values())], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return {name: file.with_suffix(".json") for name, file in files.items()}


@contextmanager
def running(script: str, folder: Path, job: object) -> "Generator[Running, None, None]":
    (folder / "job.json").write_text(json.dumps(job), encoding="utf-8")
    command = ["node", str(HERE / script), str(folder / "job.json"), str(folder / "answers.json")]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True) as process:
        try:
            yield Running(process, folder)
        finally:
            if process.poll() is None:
                process.kill()


def _records(records: Sequence[Record]) -> list[Mapping[str, Any]]:
    return [
        {"setting": one.setting.name, "bundle": bundle(one.entries, one.setting), "ask": list(one.ours)}
        for one in records
    ]
