"""Every FHIR resource in fixtures/ and in the snapshots of all rooms is valid R4."""

import tomllib
from fnmatch import fnmatch
from pathlib import Path

import pytest

from tests.conformance import fhir_documents, real_parts
from tests.conformance.fhir_documents import Found
from tests.conformance.judgement import Judge, errors
from tests.conformance.validator import Validator

LIST = Path(__file__).with_name("invalid_on_purpose.toml")
ON_PURPOSE = {entry["files"]: entry["because"] for entry in tomllib.loads(LIST.read_text("utf-8")).get("document", [])}
EVERY = fhir_documents.resources(fhir_documents.FOLDERS)


def _is_under(found: Found, pattern: str) -> bool:
    return fnmatch(found.where, f"{pattern}*")


BROKEN = [found for found in EVERY if any(_is_under(found, pattern) for pattern in ON_PURPOSE)]
SOUND = [found for found in EVERY if found not in BROKEN]


def _where(found: Found) -> str:
    return found.where


@pytest.mark.validator
def test_there_is_something_to_validate() -> None:
    if not SOUND:
        real_parts.absent("validator", "fixtures/ and the snapshot folders hold no FHIR resource: nothing is validated")


@pytest.mark.parametrize("found", SOUND, ids=_where)
def test_a_resource_is_valid(found: Found, judge: Judge) -> None:
    judge(found.resource)


def test_what_is_listed_as_invalid_exists() -> None:
    assert [pattern for pattern in ON_PURPOSE if not any(_is_under(found, pattern) for found in EVERY)] == []


def test_what_is_listed_as_invalid_is_so(validator: Validator) -> None:
    valid = [found.where for found in BROKEN if not errors(validator.messages(found.resource))]
    assert valid == [], "take these off the list"


def test_resources_are_found_whole_by_line_and_inside_other_documents(tmp_path: Path) -> None:
    (tmp_path / "a.json").write_text('{"resourceType": "Goal", "x": 1.50}', encoding="utf-8")
    (tmp_path / "b.ndjson").write_text('{"resourceType": "Goal"}\n{"resourceType": "Patient"}\n', encoding="utf-8")
    (tmp_path / "c.json").write_text('{"steps": [{"body": {"resourceType": "CarePlan"}}]}', encoding="utf-8")
    (tmp_path / "d.json").write_text('{"broken', encoding="utf-8")
    assert fhir_documents.resources([tmp_path], root=tmp_path) == [
        Found("a.json", '{"resourceType": "Goal", "x": 1.50}'),
        Found("b.ndjson:1", '{"resourceType": "Goal"}'),
        Found("b.ndjson:2", '{"resourceType": "Patient"}'),
        Found("c.json#steps[0]#body", {"resourceType": "CarePlan"}),
    ]


def test_definitions_are_found_by_their_type(tmp_path: Path) -> None:
    for name, kind in {"one": "CodeSystem", "two": "Goal", "three": "StructureDefinition"}.items():
        (tmp_path / f"{name}.json").write_text(f'{{"resourceType": "{kind}"}}', encoding="utf-8")
    assert [path.stem for path in fhir_documents.definition_files([tmp_path])] == ["one", "three"]
