"""The judge of resources can say no: planted faults, planted warnings, and a list that would hide them."""

from pathlib import Path
from typing import Any

import pytest

from tests.conformance.judgement import Judge, KnownWarning, known_warnings, new_warnings
from tests.conformance.validator import Message, Validator

OBSERVATION: dict[str, Any] = {
    "resourceType": "Observation",
    "status": "final",
    "code": {"text": "made-up"},
    "subject": {"reference": "Patient/made-up"},
    "effectiveDateTime": "2026-03-02",
    "valueQuantity": {"value": 90, "system": "http://unitsofmeasure.org", "code": "deg", "unit": "degrees"},
    "text": {"status": "generated", "div": '<div xmlns="http://www.w3.org/1999/xhtml">made-up</div>'},
}
GOAL: dict[str, Any] = {
    "resourceType": "Goal",
    "lifecycleStatus": "active",
    "description": {"text": "made-up"},
    "subject": {"reference": "Patient/made-up"},
    "startDate": "2026-03-02",
    "text": OBSERVATION["text"],
}
EXTENSION: dict[str, Any] = {
    "resourceType": "StructureDefinition",
    "url": "https://example.org/StructureDefinition/made-up",
    "name": "MadeUp",
    "status": "active",
    "description": "made-up",
    "fhirVersion": "4.0.1",
    "kind": "complex-type",
    "abstract": False,
    "context": [{"type": "element", "expression": "Goal"}],
    "type": "Extension",
    "baseDefinition": "http://hl7.org/fhir/StructureDefinition/Extension",
    "derivation": "constraint",
    "differential": {
        "element": [
            {"id": "Extension", "path": "Extension"},
            {"id": "Extension.extension", "path": "Extension.extension", "max": "0"},
            {
                "id": "Extension.url",
                "path": "Extension.url",
                "fixedUri": "https://example.org/StructureDefinition/made-up",
            },
            {"id": "Extension.value[x]", "path": "Extension.value[x]", "min": 1, "type": [{"code": "string"}]},
        ]
    },
    "text": OBSERVATION["text"],
}
US_CORE_GOAL = "http://hl7.org/fhir/us/core/StructureDefinition/us-core-goal"
WARNING = Message("warning", "Goal", "The code\n'left' is  not known", "a-rule")


def test_a_sound_resource_passes(judge: Judge) -> None:
    judge(OBSERVATION)


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        ({"status": "made-up"}, "status"),
        ({"valueQuantity": {"value": 90, "system": "http://unitsofmeasure.org", "code": "wrong"}}, "wrong"),
        ({"madeUpElement": 1}, "madeUpElement"),
        ({"code": None}, "code"),
        ({"effectiveDateTime": "2. 3. 2026"}, "effective"),
    ],
    ids=["a code outside its set", "a unit that is none", "an unknown element", "a missing one", "a date in words"],
)
def test_a_planted_fault_fails(judge: Judge, fault: dict[str, Any], said: str) -> None:
    bad = {key: value for key, value in (OBSERVATION | fault).items() if value is not None}
    with pytest.raises(AssertionError, match=f"error at .*{said}"):
        judge(bad)


def test_json_text_is_judged_as_it_stands(judge: Judge) -> None:
    with pytest.raises(AssertionError, match="error"):
        judge('{"resourceType": "Observation", "status": "final", "code": {"text": ""}}')


def test_a_profile_is_asked_for_by_name(us_core_judge: Judge) -> None:
    us_core_judge(GOAL, profile=US_CORE_GOAL)
    without_subject = {key: value for key, value in GOAL.items() if key != "subject"}
    with pytest.raises(AssertionError, match="subject"):
        us_core_judge(without_subject, profile=US_CORE_GOAL)


def test_an_unknown_profile_is_an_error(judge: Judge) -> None:
    with pytest.raises(AssertionError, match="made-up-profile"):
        judge(OBSERVATION, profile="https://example.org/made-up-profile")


def test_a_new_kind_of_warning_fails_and_says_how_to_explain_it(validator: Validator) -> None:
    unknown_system = OBSERVATION | {"code": {"coding": [{"system": "https://example.org/nowhere", "code": "x"}]}}
    with pytest.raises(AssertionError, match=r"(?s)example\.org/nowhere.*\[\[warning\]\]"):
        Judge(validator, known_warnings())(unknown_system)


def test_an_extension_is_judged_offline_down_to_its_differential(judge: Judge) -> None:
    judge(EXTENSION)
    nowhere = {
        "element": [*EXTENSION["differential"]["element"], {"id": "Extension.nowhere", "path": "Extension.nowhere"}]
    }
    with pytest.raises(AssertionError, match=r"No match found for Extension\.nowhere"):
        judge(EXTENSION | {"differential": nowhere})


def test_an_extension_without_a_definition_is_no_mere_note(judge: Judge) -> None:
    with pytest.raises(AssertionError, match=r"Unknown extension https://example\.org/undefined"):
        judge(OBSERVATION | {"extension": [{"url": "https://example.org/undefined", "valueString": "made-up"}]})


@pytest.mark.parametrize(
    ("known", "remaining"),
    [
        (KnownWarning("a-rule", "The code '<*>' is not known", "reason"), []),
        (KnownWarning("a-rule", "The code 'left' is not known", "reason"), []),
        (KnownWarning("another-rule", "The code '<*>' is not known", "reason"), [WARNING]),
        (KnownWarning("a-rule", "The code '<*>' is", "reason"), [WARNING]),
        (KnownWarning("a-rule", "The code '.*' is not known", "reason"), [WARNING]),
    ],
    ids=["open part", "word for word", "another rule", "only its beginning", "a pattern is no wildcard"],
)
def test_a_known_warning_covers_its_kind_alone(known: KnownWarning, remaining: list[Message]) -> None:
    assert new_warnings([WARNING], [known]) == remaining


def test_a_listed_warning_needs_its_reason(tmp_path: Path) -> None:
    listed = tmp_path / "known.toml"
    listed.write_text("[[warning]]\nrule = 'r'\ntext = 't'\nbecause = ' '\n", encoding="utf-8")
    with pytest.raises(ValueError, match="no `because`"):
        known_warnings(listed)
