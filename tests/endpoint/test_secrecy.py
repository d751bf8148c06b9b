"""No name, identifier, token, URL or body in a log line or a message, whatever goes wrong (I6)."""

import logging
import traceback
from collections.abc import Callable

import httpx
import pytest

from careplan_bridge.endpoint.http import Client
from careplan_bridge.endpoint.issues import issues_of
from careplan_bridge.endpoint.read import read
from careplan_bridge.endpoint.search import search
from careplan_bridge.endpoint.send import create, transaction, update
from careplan_bridge.errors import BridgeError
from careplan_bridge.model.endpoint import Auth, Limits
from tests.endpoint.scripted import BASE, bundle, client_of, endpoint, json, match, observation, outcome, script

CANARIES = ("elmwood", "1961-02-03", "mrn-4711", "secret-token")
TOLD = {
    "diagnostics": "Elmwood, Ada born 1961-02-03 (MRN-4711)",
    "details": {"text": "Patient/mrn-4711"},
    "expression": ["Patient.name.where(family='Elmwood')"],
}
PERSON = {"resourceType": "Patient", "id": "mrn-4711", "name": [{"family": "Elmwood"}], "birthDate": "1961-02-03"}
PARAMS = [("patient", "Patient/mrn-4711"), ("identifier", "urn:a|mrn-4711")]
BUNDLE = {
    "resourceType": "Bundle",
    "type": "transaction",
    "entry": [{"resource": PERSON, "request": {"method": "PUT", "url": "Patient/mrn-4711"}}],
}

CALLS: dict[str, Callable[[Client], object]] = {
    "read": lambda client: read(client, "Patient/mrn-4711"),
    "search": lambda client: search(client, "Observation", PARAMS),
    "create": lambda client: create(client, PERSON, if_none_exist="identifier=urn:a|mrn-4711"),
    "update": lambda client: update(client, PERSON, version="mrn-4711"),
    "transaction": lambda client: transaction(client, BUNDLE),
}
STEPS: dict[str, Callable[[], httpx.Response | Exception]] = {
    **{
        str(status): lambda status=status: json(outcome("conflict", TOLD), status)
        for status in (400, 401, 403, 409, 412, 422, 429, 500, 503)
    },
    "redirect": lambda: httpx.Response(
        302, headers={"Location": "https://elsewhere.example.org/Patient/mrn-4711?name=Elmwood"}
    ),
    "html": lambda: httpx.Response(200, text="<html>Elmwood 1961-02-03 mrn-4711</html>"),
    "another": lambda: json({"resourceType": "Patient", "id": "elmwood-2"}),
    "timeout": lambda: httpx.ReadTimeout("reading https://fhir.example.org/r4/Patient/mrn-4711"),
    "unreachable": lambda: httpx.ConnectError("https://fhir.example.org/r4/Patient/mrn-4711"),
}


def _told(call: Callable[[Client], object], step: Callable[[], httpx.Response | Exception]) -> str:
    """Everything a message, its traceback and the error's representation say."""
    auth = Auth(kind="token", token_env="T")

    def play(_: httpx.Request) -> httpx.Response:
        result = step()
        if isinstance(result, Exception):
            raise result
        return result

    with (
        script() as router,
        client_of(endpoint(auth=auth, limits=Limits(attempts=2)), environ={"T": "secret-token"}) as client,
    ):
        router.route(url__startswith=BASE).mock(side_effect=play)
        try:
            call(client)
        except BridgeError as error:
            messages = [str(each) for each in _chain(error)]
            return "\n".join([repr(error), repr(client), *messages, *traceback.format_exception_only(error)])
    return ""


def _chain(error: BaseException | None) -> list[BaseException]:
    chain: list[BaseException] = []
    while error is not None and error not in chain:
        chain.append(error)
        error = error.__cause__ or error.__context__
    return chain


@pytest.mark.parametrize("step", STEPS)
@pytest.mark.parametrize("call", CALLS)
def test_nothing_personal_is_logged_or_told(call: str, step: str, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.DEBUG):
        told = _told(CALLS[call], STEPS[step])
    logged = "\n".join(record.getMessage() for record in caplog.records)
    found = [canary for canary in CANARIES if canary in (told + logged).lower()]
    assert not found, told
    assert "request" in logged


def test_a_page_that_fails_is_told_without_its_address(caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.DEBUG), script() as router, client_of(endpoint(limits=Limits(attempts=1))) as client:
        mine = observation(1, patient="mrn-4711")
        pages = [
            json(bundle([match(mine)], following=f"{BASE}?patient=mrn-4711&page=2")),
            json(outcome("conflict", TOLD), 500),
        ]
        router.get(url__startswith=BASE).mock(side_effect=pages)
        found = search(client, "Observation", [("patient", "Patient/mrn-4711")])
    told = f"{found!r} {found.why} {caplog.text}".lower()
    assert [canary for canary in CANARIES if canary in told] == []


def test_the_loggers_of_httpx_still_serve_the_program_around_us(caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.INFO), script() as router, client_of(endpoint()) as client:
        router.get(f"{BASE}/Goal/g").mock(return_value=json({"resourceType": "Goal", "id": "g"}))
        router.get("https://other.example.org/").mock(return_value=httpx.Response(200))
        read(client, "Goal/g")
        httpx.get("https://other.example.org/")
    logged = [record.getMessage() for record in caplog.records if record.name == "httpx"]
    assert len(logged) == 1
    assert "other.example.org" in logged[0]


@pytest.mark.parametrize(
    ("given", "shown"),
    [
        ("Goal.target[0].detail", "error, invalid at Goal.target[0].detail"),
        (
            "Bundle.entry[0].resource.ofType(Goal).target[12].due",
            "error, invalid at Bundle.entry[0].resource.ofType(Goal).target[12].due",
        ),
        ("Bundle.entry[0].resource/*Patient/mrn-4711*/.name", "error, invalid at Bundle.entry[0].resource.name"),
        ("Patient.name.where(family='Elmwood')", "error, invalid"),
        ("MRN-4711", "error, invalid"),
        ("http://fhir.example.org/Patient/4711", "error, invalid"),
        ("", "error, invalid"),
    ],
)
def test_an_issue_shows_the_element_but_nobodys_name(given: str, shown: str) -> None:
    assert str(issues_of(outcome("invalid", {"expression": [given]}))[0]) == shown


@pytest.mark.parametrize(
    "content",
    [
        {"resourceType": "OperationOutcome"},
        {"resourceType": "OperationOutcome", "issue": []},
        {"resourceType": "OperationOutcome", "issue": "none"},
        {"resourceType": "OperationOutcome", "issue": [None, 5, "x"]},
        {"resourceType": "Patient"},
        [],
        None,
        "text",
    ],
)
def test_a_badly_built_outcome_has_no_issues_and_hides_no_error(content: object) -> None:
    assert issues_of(content) == ()


def test_issues_are_read_as_far_as_they_go() -> None:
    issue = {"severity": 5, "code": "Mr Elmwood", "expression": "Goal", "details": "x", "diagnostics": ["y"]}
    assert [str(each) for each in issues_of({"resourceType": "OperationOutcome", "issue": [issue, {}]})] == [
        "unknown, unknown"
    ]
