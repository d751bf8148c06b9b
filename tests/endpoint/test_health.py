"""Is an endpoint well: the login, the scopes, one read; and the command that monitoring calls."""

from pathlib import Path

import httpx
import pytest
import respx
from msgspec.structs import replace

from careplan_bridge.cli.main import run
from careplan_bridge.endpoint.health import health
from careplan_bridge.endpoint.http import Client
from careplan_bridge.model.endpoint import Endpoint
from tests.writeback import occasions

BASE = "http://127.0.0.1:1/fhir"
PLACE = Endpoint(name="record", base=BASE, environment="sandbox", test_patient="Patient/nobody")


def asked(endpoint: Endpoint, answer: httpx.Response | Exception) -> tuple[bool, bool, bool, str]:
    with respx.mock(base_url=BASE) as router:
        router.route(method="GET").mock(side_effect=[answer])
        with Client(replace(endpoint), environ={}, wait=lambda _seconds: None, clock=occasions.now) as client:
            found = health(client)
    return found.well, found.login, found.read, " ".join(found.says)


def test_a_patient_that_can_be_read_is_well() -> None:
    patient = {"resourceType": "Patient", "id": "nobody"}
    assert asked(PLACE, httpx.Response(200, json=patient)) == (True, True, True, "")


def test_without_a_test_patient_it_says_how_little_was_read() -> None:
    well, *_, says = asked(
        replace(PLACE, test_patient=None), httpx.Response(200, json={"resourceType": "CapabilityStatement"})
    )
    assert well
    assert "test_patient" in says


@pytest.mark.parametrize(
    ("answer", "login", "words"),
    [
        (httpx.Response(401), False, "login"),
        (httpx.Response(404), True, "never was there"),
        (httpx.Response(403), True, "403"),
    ],
)
def test_what_goes_wrong_is_said(answer: httpx.Response, login: bool, words: str) -> None:  # noqa: FBT001
    well, logged_in, read, says = asked(PLACE, answer)
    assert (well, logged_in, read) == (False, login, False)
    assert words in says


def test_the_command_ends_with_3_where_nobody_answers(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "record.toml"
    file.write_text('base = "http://127.0.0.1:1/fhir"\nenvironment = "sandbox"\n[limits]\nattempts = 1\n')
    assert run(["endpoint", str(file), "--health"]) == 3
    printed = capsys.readouterr()
    assert printed.out == "record: not well\n"
    assert "cannot be reached" in printed.err
