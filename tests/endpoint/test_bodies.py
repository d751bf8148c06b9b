"""Bodies that come in drops, without end, or with two meanings; how many requests are in flight."""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from itertools import count
from threading import Barrier, BrokenBarrierError, Lock

import httpx
import pytest
import respx

from careplan_bridge.endpoint import http
from careplan_bridge.endpoint.bodies import names_stand_twice
from careplan_bridge.endpoint.read import read
from careplan_bridge.errors import EndpointDown
from careplan_bridge.model.endpoint import Limits
from careplan_bridge.sandbox.exchange import Answer, Asked, Handler
from careplan_bridge.sandbox.server import Sandbox
from tests.endpoint.scripted import BASE, client_of, endpoint


class Drops(httpx.SyncByteStream):
    """A body that has not ended after a thousand drops."""

    def __init__(self) -> None:
        self.read = 0

    def __iter__(self) -> Iterator[bytes]:
        for self.read in range(1000):
            yield b" "


def test_an_answer_in_drops_is_given_up_after_a_while(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every second another drop: none comes late, and all together never end."""
    seconds = count()
    monkeypatch.setattr(http, "monotonic", lambda: next(seconds))
    drops = Drops()
    with respx.mock() as router, client_of(endpoint(limits=Limits(attempts=1, timeout=5))) as client:
        router.get(f"{BASE}/Goal/g").mock(return_value=httpx.Response(200, stream=drops))
        with pytest.raises(EndpointDown, match="did not answer in time"):
            read(client, "Goal/g")
    assert drops.read <= http.SLOWEST * 5


@pytest.mark.parametrize(
    ("body", "twice"),
    [
        (b'{"a": 1, "b": 1}', False),
        (b'{"a": 1, "a": 1}', True),
        (b'{"a": {"x": 1}, "b": {"x": 1}}', False),
        (b'{"a": [{"b": {"x": 1, "y": 2, "x": 3}}]}', True),
        (b'\xef\xbb\xbf{"a": 1.30E2}', False),
        (b'{"a": 1, "\\u0061": 2}', True),
        (b"[" * 100_000, True),
    ],
)
def test_a_name_that_stands_twice_in_one_object_is_noticed(body: bytes, twice: bool) -> None:  # noqa: FBT001
    assert names_stand_twice(body) is twice


def test_no_more_requests_are_in_flight_than_the_endpoint_file_allows() -> None:
    at_once, most = [0], [0]
    lock, meeting = Lock(), Barrier(2)

    def slow(asked: Asked, handler: Handler) -> Answer:
        with lock:
            at_once[0] += 1
            most[0] = max(most[0], at_once[0])
        try:
            meeting.wait(0.2)  # two meet here; a third would show in the count
        except BrokenBarrierError:
            meeting.reset()
        with lock:
            at_once[0] -= 1
        return handler(asked)

    with (
        Sandbox(misbehaviours=[slow]) as sandbox,
        client_of(endpoint(sandbox.base, limits=Limits(in_flight=2))) as client,
        ThreadPoolExecutor(6) as pool,
    ):
        list(pool.map(partial(read, client), ["Goal/g"] * 6))
    assert most == [2]
