"""A server that is down is left alone for a while; one that answers, whatever it says, is not."""

from collections.abc import Iterator
from datetime import datetime, timedelta

import httpx
import pytest
import respx

from careplan_bridge.endpoint.breaker import FAILURES, REST
from careplan_bridge.endpoint.http import Client
from careplan_bridge.endpoint.read import read
from careplan_bridge.errors import BridgeError, EndpointDown
from careplan_bridge.model.endpoint import Limits
from tests.endpoint.scripted import BASE, MOMENT, client_of, endpoint, json, outcome

URL = f"{BASE}/Goal/g"
GOAL = {"resourceType": "Goal", "id": "g"}


class Clock:
    now = MOMENT

    def __call__(self) -> datetime:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def client(clock: Clock) -> Iterator[Client]:
    with client_of(endpoint(limits=Limits(attempts=1)), clock=clock) as client:
        yield client


def ask(client: Client, times: int = 1) -> None:
    for _ in range(times):
        with pytest.raises(BridgeError):
            read(client, "Goal/g")


@pytest.mark.parametrize(
    "down", [httpx.ConnectError("no"), httpx.ReadTimeout("late"), httpx.Response(503), httpx.Response(429)]
)
def test_after_some_failures_in_a_row_a_server_is_not_asked(client: Client, down: Exception | httpx.Response) -> None:
    with respx.mock() as router:
        route = router.get(URL).mock(side_effect=[down] * FAILURES)
        ask(client, FAILURES)
        with pytest.raises(EndpointDown, match="not asked, as the server gave no answer 3 times in a row"):
            read(client, "Goal/g")
    assert route.call_count == FAILURES


@pytest.mark.parametrize("status", [400, 401, 403, 422, 500])
def test_a_server_that_answers_is_asked_on(client: Client, status: int) -> None:
    with respx.mock() as router:
        route = router.get(URL).mock(return_value=json(outcome(), status))
        ask(client, FAILURES + 2)
    assert route.call_count == FAILURES + 2


def test_after_the_rest_it_is_asked_once_more_and_then_trusted_or_left_alone_again(
    client: Client, clock: Clock
) -> None:
    with respx.mock() as router:
        down, up = httpx.Response(503), json(GOAL)
        route = router.get(URL).mock(side_effect=[*[down] * FAILURES, down, up, up])
        ask(client, FAILURES)
        clock.now += REST
        ask(client, 2)  # the first of the two is asked and fails, the second is not asked
        clock.now += REST - timedelta(seconds=1)
        ask(client)
        clock.now += timedelta(seconds=1)
        read(client, "Goal/g")
        read(client, "Goal/g")
    assert route.call_count == FAILURES + 3
