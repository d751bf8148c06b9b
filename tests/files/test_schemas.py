"""The schemas in docs/schemas are those of the code, and they fit what they describe."""

import datetime as dt
import importlib.util
import json
import tomllib
from decimal import Decimal
from pathlib import Path
from types import ModuleType
from typing import Any

import jsonschema
import msgspec
import pytest
import yaml

from careplan_bridge.files import documents
from careplan_bridge.review.documents import check_document, encode, readings_document
from tests.fixtures.demo import FIXTURES, SETS, ObservationSet, plan

ROOT = FIXTURES.parent
SCHEMAS = ROOT / "docs" / "schemas"
FILES = [
    *((path, "protocol-file") for path in (FIXTURES / "protocols").glob("*.yaml")),
    *((path, "case-file") for path in (FIXTURES / "cases").glob("*.yaml")),
    *((path, "endpoint-file") for path in (FIXTURES / "endpoints").glob("*.toml")),
    (FIXTURES / "conventions.toml", "conventions-file"),
]


def _script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("schemas", ROOT / "scripts" / "schemas.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def _faults(document: Any, name: str) -> list[str]:
    schema = json.loads((SCHEMAS / f"{name}.json").read_bytes())
    jsonschema.Draft202012Validator.check_schema(schema)
    validator: Any = jsonschema.Draft202012Validator(schema)
    return [f"{fault.json_path}: {fault.message}" for fault in validator.iter_errors(document)]


def _as_an_editor_reads_it(path: Path) -> Any:
    """Editors follow YAML 1.2, where a date and `no` are text."""
    if path.suffix == ".toml":
        return tomllib.loads(path.read_text(encoding="utf-8"))
    return _without_dates(yaml.safe_load(path.read_text(encoding="utf-8")))


def _without_dates(value: Any) -> Any:
    if isinstance(value, dict):
        return {("on" if key is True else key): _without_dates(inner) for key, inner in value.items()}  # pyright: ignore[reportUnknownVariableType]
    if isinstance(value, list):
        return [_without_dates(inner) for inner in value]  # pyright: ignore[reportUnknownVariableType]
    return value.isoformat() if isinstance(value, dt.date) else value


def test_the_folder_is_up_to_date() -> None:
    assert _script().outdated() == []


@pytest.mark.parametrize(("path", "name"), FILES, ids=lambda one: getattr(one, "stem", one))
def test_every_file_of_ours_fits(path: Path, name: str) -> None:
    assert _faults(_as_an_editor_reads_it(path), name) == []


@pytest.mark.parametrize(("path", "name"), FILES, ids=lambda one: getattr(one, "stem", one))
def test_a_key_that_nobody_knows_does_not_fit(path: Path, name: str) -> None:
    assert _faults({**_as_an_editor_reads_it(path), "colour": "blue"}, name) != []


def test_an_editor_is_told_of_a_measure_that_does_not_exist() -> None:
    text = (FIXTURES / "protocols/acl-reconstruction.yaml").read_text(encoding="utf-8")
    assert _faults(_without_dates(yaml.safe_load(text.replace("knee_flexion", "knee_bending"))), "protocol-file") != []


@pytest.mark.parametrize("of", SETS, ids=lambda of: of.name)
def test_a_criteria_check_fits(of: ObservationSet) -> None:
    assert _faults(json.loads(encode(check_document(of.check()))), "criteria-check") == []


@pytest.mark.parametrize("of", SETS, ids=lambda of: of.name)
def test_readings_fit(of: ObservationSet) -> None:
    document = json.loads(encode(readings_document(of.readings(plan(of.expected.case).patient))))
    assert document["readings"]
    assert _faults(document, "readings") == []


def test_a_plan_fits_and_comes_back(tmp_path: Path) -> None:
    written = plan("acl-quay-01")
    documents.write(tmp_path / "plan.json", written)
    assert _faults(json.loads((tmp_path / "plan.json").read_bytes()), "plan") == []
    assert documents.read_plan(tmp_path / "plan.json") == written


@pytest.mark.parametrize(("key", "value"), [("outcome", "ready"), ("criteria", None), ("digest", 5)])
def test_a_check_that_is_none_does_not_fit(key: str, value: object) -> None:
    document = json.loads(encode(check_document(SETS[0].check())))
    assert _faults(document | {key: value}, "criteria-check") != []


def test_numbers_of_documents_are_numbers() -> None:
    schemas = "".join(path.read_text(encoding="utf-8") for path in SCHEMAS.glob("*.json"))
    assert '"format": "decimal"' not in schemas
    assert msgspec.json.Encoder(decimal_format="number").encode(Decimal("1.50")) == b"1.50"
