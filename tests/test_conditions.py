"""The conditions under which every test runs hold, and can be broken."""

import os
import socket
from datetime import UTC, datetime

import httpx
import pytest

from tests.network import NetworkRefused


def test_the_clock_stands_still(now: datetime) -> None:
    assert [datetime.now(UTC), datetime.now(UTC)] == [now, now]  # noqa: TID251  (the clock is the subject)


def test_local_time_is_on_another_day_than_utc(now: datetime) -> None:
    assert (now.astimezone().isoformat(), now.isoformat()) == (
        "2026-03-05T01:15:00+13:45",
        "2026-03-04T11:30:00+00:00",
    )


def test_no_proxy_is_seen() -> None:
    assert not [name for name in os.environ if name.lower().endswith("_proxy")]


def test_an_address_beyond_loopback_is_refused() -> None:
    with socket.socket() as connection, pytest.raises(NetworkRefused, match=r"192\.0\.2\.1"):
        connection.connect(("192.0.2.1", 80))


def test_a_look_up_of_a_name_is_refused() -> None:
    with pytest.raises(NetworkRefused, match=r"example\.org"):
        httpx.get("http://example.org/")


def test_loopback_is_reached() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server, socket.create_connection(server.getsockname()) as client:
        assert client.getpeername() == server.getsockname()
