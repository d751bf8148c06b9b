"""Every FHIR resource in fixtures/ and in the snapshots of all rooms is valid R4."""

import tomllib
from fnmatch import fnmatch
from pathlib import Path

import pytest

from tests.conformance import fhir_documents
from tests.conformance.fhir_documents import Found
from tests.conformance.judgement import Judge, errors
from tests.conformance.validator import Validator

ON_PURPOSE = tomllib.loads(Path(__file__).with_name("invalid_on_purpose.toml").read_text(encoding="utf-8"))
EVERY = fhir_documents.resources(fhir_documents.FOLDERS)


def _is_invalid_on_purpose(found: Found) -> bool:
    return any(fnmatch(found.where, f"{entry['files']}*") for entry in ON_PURPOSE.get("document", []))


BROKEN = [found for found in EVERY if _is_invalid_on_purpose(found)]
SOUND = [found for found in EVERY if found not in BROKEN]


def _where(found: Found) -> str:
    return found.where


@pytest.mark.skipif(bool(SOUND), reason="there are resources to validate")
def test_there_is_something_to_validate() -> None:
    pytest.skip("fixtures/ and the snapshot folders hold no FHIR resource yet: nothing was validated")


@pytest.mark.parametrize("found", SOUND, ids=_where)
def test_a_resource_is_valid(found: Found, judge: Judge) -> None:
    judge(found.resource)


@pytest.mark.parametrize("found", BROKEN, ids=_where)
def test_a_resource_listed_as_invalid_is_so(found: Found, validator: Validator) -> None:
    assert errors(validator.messages(found.resource)), f"{found.where} is valid: take it off the list"


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
