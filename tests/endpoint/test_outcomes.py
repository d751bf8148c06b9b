"""Each row of the table at work: what is asked again, what stops, and what a person is told."""

from dataclasses import dataclass
from typing import Any

import httpx
import pytest

from careplan_bridge.endpoint.http import LARGEST_BODY
from careplan_bridge.endpoint.outcomes import OUTCOMES, Trouble
from careplan_bridge.endpoint.read import Missing, Stored, read
from careplan_bridge.endpoint.send import update
from careplan_bridge.errors import BridgeError, WrongUse
from careplan_bridge.model.endpoint import Limits
from tests.endpoint.scripted import BASE, Waits, client_of, endpoint, json, outcome, script

GOAL = {"resourceType": "Goal", "id": "g", "meta": {"versionId": "1"}}
URL = f"{BASE}/Goal/g"
TWICE = '{"resourceType": "Goal", "id": "g", "language": "en", "language": "de"}'
ATTEMPTS = 3


@dataclass(frozen=True)
class Row:
    """`read` and `write`: the error's name (or Stored, Missing, Answer), and how often the server was asked."""

    result: int | Trouble
    read: str
    write: str
    read_asked: int = 1
    write_asked: int = 1
    exits: tuple[int, int] = (1, 1)


ROWS = [
    Row(200, "Stored", "Answer"),
    Row(201, "Stored", "Answer"),
    Row(204, "Refused", "Answer"),
    Row(202, "Refused", "AnswerLost", exits=(1, 4)),
    Row(206, "Refused", "AnswerLost", exits=(1, 4)),
    Row(301, "Refused", "Refused"),
    Row(302, "Refused", "Refused"),
    Row(303, "Refused", "AnswerLost", exits=(1, 4)),
    Row(304, "Refused", "AnswerLost", exits=(1, 4)),
    Row(307, "Refused", "Refused"),
    Row(308, "Refused", "Refused"),
    Row(400, "Refused", "Refused"),
    Row(401, "LoginFailed", "LoginFailed", exits=(3, 3)),
    Row(403, "Refused", "Refused"),
    Row(404, "Missing", "Refused"),
    Row(405, "Refused", "Refused"),
    Row(408, "Unreachable", "AnswerLost", read_asked=ATTEMPTS, exits=(3, 4)),
    Row(409, "Refused", "Stale", exits=(1, 4)),
    Row(410, "Missing", "Refused"),
    Row(412, "Refused", "Stale", exits=(1, 4)),
    Row(413, "Refused", "Refused"),
    Row(415, "Refused", "Refused"),
    Row(418, "Refused", "Refused"),
    Row(422, "Refused", "Refused"),
    Row(429, "Unreachable", "Unreachable", read_asked=ATTEMPTS, write_asked=ATTEMPTS, exits=(3, 3)),
    Row(500, "Unreachable", "AnswerLost", read_asked=ATTEMPTS, exits=(3, 4)),
    Row(501, "Refused", "Refused"),
    Row(502, "Unreachable", "AnswerLost", read_asked=ATTEMPTS, exits=(3, 4)),
    Row(503, "Unreachable", "AnswerLost", read_asked=ATTEMPTS, exits=(3, 4)),
    Row(504, "Unreachable", "AnswerLost", read_asked=ATTEMPTS, exits=(3, 4)),
    Row(507, "Unreachable", "AnswerLost", read_asked=ATTEMPTS, exits=(3, 4)),
    Row(Trouble.NEVER_SENT, "Unreachable", "Unreachable", read_asked=ATTEMPTS, write_asked=ATTEMPTS, exits=(3, 3)),
    Row(Trouble.NO_ANSWER, "Unreachable", "AnswerLost", read_asked=ATTEMPTS, exits=(3, 4)),
    # A write that was acknowledged is done, whatever the body: the headers say where.
    Row(Trouble.UNREADABLE, "Refused", "Answer"),
    Row(Trouble.TWO_MEANINGS, "Refused", "Answer"),
    Row(Trouble.TOO_LARGE, "Refused", "AnswerLost", exits=(1, 4)),
]
IDS = [str(row.result) for row in ROWS]


TROUBLES = {
    Trouble.NEVER_SENT: lambda: httpx.ConnectError("refused"),
    Trouble.NO_ANSWER: lambda: httpx.ReadTimeout("timed out"),
}


def _step(result: int | Trouble) -> httpx.Response | Exception:
    if result is Trouble.UNREADABLE:
        return httpx.Response(200, text="<html>Please log in</html>")
    if result is Trouble.TWO_MEANINGS:
        return httpx.Response(
            200,
            text='{"resourceType": "Goal", "id": "g", "language": "en", "language": "de"}',
            headers={"ETag": 'W/"2"'},
        )
    if result is Trouble.TOO_LARGE:
        return httpx.Response(200, content=b" " * (LARGEST_BODY + 1))
    if isinstance(result, Trouble):
        return TROUBLES[result]()
    if result == 204:
        return httpx.Response(204, headers={"ETag": 'W/"2"'})
    return json(GOAL if result in (200, 201) else outcome(), result)


def _happens(method: str, row: Row) -> tuple[str, int, BridgeError | None]:
    def play(_: httpx.Request) -> httpx.Response:
        step = _step(row.result)
        if isinstance(step, Exception):
            raise step
        return step

    with script() as router, client_of(endpoint(limits=Limits(attempts=ATTEMPTS))) as client:
        route = router.request(method, URL).mock(side_effect=play)
        try:
            result = read(client, "Goal/g") if method == "GET" else update(client, GOAL, version="1")
        except BridgeError as error:
            return type(error).__name__, route.call_count, error
        return type(result).__name__, route.call_count, None


@pytest.mark.parametrize("row", ROWS, ids=IDS)
def test_a_read(row: Row) -> None:
    name, asked, error = _happens("GET", row)
    assert (name, asked) == (row.read, row.read_asked)
    assert error is None or error.exit_code == row.exits[0]


@pytest.mark.parametrize("row", ROWS, ids=IDS)
def test_a_write(row: Row) -> None:
    name, asked, error = _happens("PUT", row)
    assert (name, asked) == (row.write, row.write_asked)
    assert error is None or error.exit_code == row.exits[1]


def test_every_row_of_the_table_is_tried() -> None:
    # What an untrusted certificate does is shown with a real one, in test_tls.py.
    assert set(OUTCOMES) - {Trouble.UNTRUSTED} <= {row.result for row in ROWS}


@pytest.mark.parametrize(
    "trouble", [httpx.WriteError("x"), httpx.RemoteProtocolError("x"), httpx.ReadError("x"), httpx.DecodingError("x")]
)
def test_a_write_that_broke_off_anywhere_is_never_sent_again(trouble: Exception) -> None:
    with script() as router, client_of(endpoint()) as client:
        route = router.put(URL).mock(side_effect=trouble)
        with pytest.raises(BridgeError, match="not known"):
            update(client, GOAL, version="1")
        assert route.call_count == 1


def test_a_read_goes_on_after_trouble_that_passes() -> None:
    waits = Waits()
    with script() as router, client_of(endpoint(), waits) as client:
        router.get(URL).mock(
            side_effect=[httpx.ConnectError("x"), httpx.Response(503), httpx.ReadTimeout("x"), json(GOAL)]
        )
        assert isinstance(read(client, "Goal/g"), Stored)
    assert waits == [0.5, 1.0, 2.0]


def test_absent_and_deleted_are_told_apart() -> None:
    with script() as router, client_of(endpoint()) as client:
        router.get(URL).mock(side_effect=[httpx.Response(404), httpx.Response(410)])
        assert [read(client, "Goal/g"), read(client, "Goal/g")] == [Missing.NEVER_WAS, Missing.DELETED]


@pytest.mark.parametrize(
    "reference",
    ["Goal/..", "Goal/.", "Goal/a/b", "Goal/a?b=c", "goal/a", "Goal/", "https://elsewhere.example.org/Goal/g"],
)
def test_what_is_no_reference_is_not_asked_for(reference: str) -> None:
    with script(), client_of(endpoint()) as client, pytest.raises(WrongUse, match="Type/id"):
        read(client, reference)


def test_the_sentence_says_what_happened_to_what_and_what_would_mend_it() -> None:
    issue: dict[str, Any] = {"expression": ["Goal.target[0].detail"], "diagnostics": "Mr Elm, born 1961-02-03"}
    with script() as router, client_of(endpoint()) as client:
        router.put(URL).mock(return_value=json(outcome("business-rule", issue), 422))
        with pytest.raises(BridgeError) as caught:
            update(client, GOAL, version="1")
    said = "PUT Goal: the server holds this against its rules (422). It names: error, business-rule at Goal.target[0].detail"
    assert str(caught.value) == said
