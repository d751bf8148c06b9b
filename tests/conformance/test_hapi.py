"""The HAPI server that other tests write to: it is empty when asked for, and as strict as asked for."""

from typing import Any

import httpx
import pytest

NAMELESS = {"resourceType": "Patient", "identifier": [{"system": "https://example.org/alder-quay", "value": "made-up"}]}
WITHOUT_STATUS = {"resourceType": "Observation", "code": {"text": "made-up"}}
DANGLING = WITHOUT_STATUS | {"status": "final", "subject": {"reference": "Patient/nobody"}}


def _post(base: str, resource: dict[str, Any]) -> httpx.Response:
    return httpx.post(f"{base}/{resource['resourceType']}", json=resource, timeout=30)


def _total(base: str) -> int:
    answer = httpx.get(f"{base}/Patient", params={"_summary": "count"}, timeout=30)
    return answer.json()["total"]


@pytest.mark.parametrize("turn", ["first", "second"])
def test_each_test_finds_it_empty(clean_hapi: str, turn: str) -> None:
    assert _total(clean_hapi) == 0, turn
    assert _post(clean_hapi, NAMELESS).status_code == 201
    assert _total(clean_hapi) == 1


def test_a_reference_must_have_a_target(clean_hapi: str) -> None:
    answer = _post(clean_hapi, DANGLING)
    assert answer.status_code == 400
    assert "Patient/nobody" in answer.text


def test_without_validation_a_missing_element_is_let_through(clean_hapi: str) -> None:
    assert _post(clean_hapi, WITHOUT_STATUS).status_code == 201


def test_with_validation_a_missing_element_is_refused(clean_validating_hapi: str) -> None:
    answer = _post(clean_validating_hapi, WITHOUT_STATUS)
    assert answer.status_code == 422
    assert "Observation.status" in answer.text
