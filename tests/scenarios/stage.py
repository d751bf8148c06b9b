"""A scenario from its folder: files in, through the rooms that a real run goes through, one check out."""

import json
from collections.abc import Iterator, Mapping
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

import yaml
from msgspec.structs import replace

from careplan_bridge.criteria.check import check
from careplan_bridge.criteria.deciding import respond_to_excess, respond_to_red_flag
from careplan_bridge.fhir.raw import decode
from careplan_bridge.files import shipped
from careplan_bridge.measures.conventions_file import read_conventions
from careplan_bridge.measures.reader import Reader
from careplan_bridge.model.check import CriteriaCheck
from careplan_bridge.model.conventions import Conventions
from careplan_bridge.model.course import StageEntered
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.reading import Readings
from careplan_bridge.planning.draft import draft
from careplan_bridge.protocol.case_file import read_case
from careplan_bridge.protocol.protocol_file import read_protocol

HERE = Path(__file__).parent
FOLDERS = sorted(folder for folder in HERE.iterdir() if (folder / "expected.json").is_file())


def named(start: str) -> Path:
    """The folder of a scenario by the number it begins with."""
    return next(folder for folder in FOLDERS if folder.name.startswith(f"{start}-"))


def expected(folder: Path) -> dict[str, Any]:
    return json.loads((folder / "expected.json").read_text())


def given(folder: Path) -> dict[str, Any]:
    return yaml.safe_load((folder / "given.yaml").read_text())


@cache
def drafted(folder: Path) -> Plan:
    """The plan of the case, in the stage that the person has reached."""
    catalogue = shipped.catalogue()
    protocol = HERE / "protocols" / given(folder)["protocol"]
    plan = draft(
        read_protocol(protocol.read_bytes(), protocol.name, catalogue),
        read_case((folder / "case.yaml").read_bytes(), "case.yaml"),
        catalogue,
        conventions(),
    )
    return replace(plan, course=plan.course.plus(*_entered(given(folder))))


@cache
def readings(folder: Path) -> Readings:
    lines = (folder / "observations.ndjson").read_bytes().splitlines()
    return Reader(shipped.catalogue(), conventions()).read_all([decode(line) for line in lines])


def checked(folder: Path) -> CriteriaCheck:
    """The check after every response that was given, each of them to what the check of its moment `seen` showed."""
    told, plan, seen = given(folder), drafted(folder), readings(folder)
    for response in told.get("responses", []):
        shown = _check(plan, seen, {**told, "at": response.get("seen", told["at"])})
        plan = _responded(plan, shown, response)
    return _check(plan, seen, told)


@cache
def conventions() -> Conventions:
    return read_conventions((HERE / "conventions.toml").read_bytes(), "conventions.toml", shipped.catalogue())


def _check(plan: Plan, seen: Readings, told: Mapping[str, Any]) -> CriteriaCheck:
    return check(plan, seen, datetime.fromisoformat(told["at"]), complete=told.get("complete", True))


def _entered(told: Mapping[str, Any]) -> Iterator[StageEntered]:
    for one in told.get("entered", []):
        yield StageEntered(at=datetime.fromisoformat(one["at"]), stage=one["stage"], decision="before")


def _responded(plan: Plan, shown: CriteriaCheck, response: Mapping[str, str]) -> Plan:
    respond = respond_to_red_flag if response["to"] == "red flag" else respond_to_excess
    at = datetime.fromisoformat(response["at"])
    event = respond(plan, shown, response["subject"], person_id=response["by"], reason=response["reason"], at=at)
    return replace(plan, course=plan.course.plus(event))
