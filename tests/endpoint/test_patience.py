"""Waits are what the server asks for, bounded, and all of them together are bounded too."""

from datetime import timedelta, timezone

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st

from careplan_bridge.endpoint.outcomes import Unreachable
from careplan_bridge.endpoint.patience import Patience, retry_after
from careplan_bridge.endpoint.read import Stored, read
from careplan_bridge.model.endpoint import Limits
from tests.endpoint.scripted import BASE, MOMENT, Waits, client_of, endpoint, json, script


@pytest.mark.parametrize(
    ("header", "seconds"),
    [
        ("2", 2.0),
        ("0", 0.0),
        (" 18000 ", 18000.0),
        ("Wed, 04 Mar 2026 11:30:05 GMT", 5.0),
        ("Wed, 04 Mar 2026 11:30:05", 5.0),
        ("Wed, 04 Mar 2026 11:29:00 GMT", 0.0),
        ("Wed, 04 Mar 2026 13:30:05 +0200", 5.0),
        ("abc", None),
        ("-5", None),
        ("1.5", None),
        ("", None),
        (None, None),
        ("9" * 400, None),
    ],
)
def test_retry_after_in_both_forms(header: str | None, seconds: float | None) -> None:
    assert retry_after(header, MOMENT) == seconds
    assert retry_after(header, MOMENT.astimezone(timezone(timedelta(hours=13, minutes=45)))) == seconds


def _waited(*headers: str | None, limits: Limits | None = None) -> list[float]:
    """The waits while a server throttles with these headers and then answers."""
    throttled = [httpx.Response(429, headers={"Retry-After": header} if header else {}) for header in headers]
    waits = Waits()
    with script() as router, client_of(endpoint(limits=limits or Limits()), waits) as client:
        router.get(f"{BASE}/Goal/g").mock(side_effect=[*throttled, json({"resourceType": "Goal", "id": "g"})])
        assert isinstance(read(client, "Goal/g"), Stored)
    return waits


def test_the_server_is_given_the_time_it_asks_for() -> None:
    assert _waited("2", "Wed, 04 Mar 2026 11:30:05 GMT") == [2.0, 5.0]


def test_what_it_asks_for_in_no_known_way_counts_as_nothing() -> None:
    assert _waited("abc", "-5", None) == [0.5, 1.0, 2.0]


def _refused(*headers: str, limits: Limits | None = None) -> tuple[list[float], int]:
    waits = Waits()
    with script() as router, client_of(endpoint(limits=limits or Limits()), waits) as client:
        answers = [httpx.Response(429, headers={"Retry-After": header}) for header in headers]
        route = router.get(f"{BASE}/Goal/g").mock(side_effect=answers)
        with pytest.raises(Unreachable, match="try later"):
            read(client, "Goal/g")
        return waits, route.call_count


def test_hours_are_not_waited_for() -> None:
    assert _refused("18000") == ([], 1)


def test_all_waits_of_a_request_share_one_budget() -> None:
    assert _refused("25", "25", "25", limits=Limits(waiting=60, attempts=9)) == ([25.0, 25.0], 3)


def test_tries_are_counted() -> None:
    assert _refused("0", "0", "0", limits=Limits(attempts=3)) == ([0.0, 0.0], 3)


@given(st.floats(0, 1), st.integers(1, 30), st.floats(0, 200))
def test_no_wait_is_longer_than_the_longest_and_the_sum_stays_within_the_budget(
    chance: float, tries: int, budget: float
) -> None:
    waits = Waits()
    patience = Patience(Limits(attempts=tries, waiting=budget), waits, lambda: chance)
    while patience.again(None):
        pass
    assert len(waits) < tries
    assert sum(waits) <= budget
    assert all(0.25 <= wait <= 20 for wait in waits)
    assert waits == sorted(waits)
