"""The sandbox as a process: loopback only, several clients at once, whole after a kill, gone when it ends."""

import signal
import socket
import subprocess
import sys
from collections.abc import Generator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest

from careplan_bridge.sandbox.exchange import Answer, Asked, Handler, HangUp
from careplan_bridge.sandbox.server import Sandbox, serve
from tests.sandbox.bodies import SYSTEM, entry, goal, patient, transaction

SERVE = """
import sys
from pathlib import Path
from careplan_bridge.sandbox.server import serve
serve(Path(sys.argv[1]), 0, ready=lambda base: print(base, flush=True))
"""


@contextmanager
def process(folder: Path) -> Generator[tuple[subprocess.Popen[str], str]]:
    """The blocking server in a process of its own, and its base."""
    command = [sys.executable, "-c", SERVE, str(folder)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as running:
        assert running.stdout is not None
        try:
            yield running, running.stdout.readline().strip()
        finally:
            running.kill()


def test_it_listens_on_loopback_only(sandbox: Sandbox) -> None:
    assert sandbox.base.startswith("http://127.0.0.1:")


def test_another_name_for_it_is_refused(sandbox: Sandbox) -> None:
    answer = httpx.get(f"{sandbox.base}/Patient", headers={"Host": "elsewhere.example.org"})
    assert answer.status_code == 400


def test_a_base_is_asked_for_only_while_it_runs() -> None:
    stopped = Sandbox()
    with pytest.raises(RuntimeError, match="not running"):
        _ = stopped.base


def test_a_port_that_is_taken_is_refused_at_once() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(OSError, match="in use"), Sandbox(port=taken.getsockname()[1]):
            pass
        with pytest.raises(OSError, match="in use"):
            serve(None, taken.getsockname()[1])


def test_a_folder_keeps_what_was_written(tmp_path: Path) -> None:
    with Sandbox(tmp_path / "data") as first:
        key = httpx.post(f"{first.base}/Patient", json=patient()).json()["id"]
    with Sandbox(tmp_path / "data") as second:
        assert httpx.get(f"{second.base}/Patient/{key}").json()["birthDate"] == "1990-02-03"
        assert httpx.post(f"{second.base}/Patient", json=patient()).json()["id"] != key


def test_what_was_acknowledged_survives_a_kill(tmp_path: Path) -> None:
    with process(tmp_path) as (running, base):
        keys = [httpx.post(f"{base}/Patient", json=patient(f"p{n}")).json()["id"] for n in range(5)]
        running.kill()
    with process(tmp_path) as (_, base):
        found = httpx.get(f"{base}/Patient").json()
    assert [hit["resource"]["id"] for hit in found["entry"]] == keys


def test_the_blocking_server_ends_on_request(tmp_path: Path) -> None:
    with process(tmp_path) as (running, base):
        assert httpx.get(f"{base}/metadata").is_success
        running.send_signal(signal.SIGTERM)
        assert running.wait(20) in {0, -signal.SIGTERM}


def test_of_many_conditional_creates_at_once_one_creates(sandbox: Sandbox) -> None:
    condition = {"If-None-Exist": f"identifier={SYSTEM}|p1"}

    def create(_: int) -> httpx.Response:
        return httpx.post(f"{sandbox.base}/Patient", json=patient(), headers=condition)

    with ThreadPoolExecutor(8) as clients:
        answers = list(clients.map(create, range(16)))
    assert sorted(answer.status_code for answer in answers) == [200] * 15 + [201]
    assert len({answer.json()["id"] for answer in answers}) == 1


def test_of_many_guarded_updates_at_once_one_is_taken(sandbox: Sandbox) -> None:
    key = httpx.post(f"{sandbox.base}/Patient", json=patient()).json()["id"]

    def update(number: int) -> int:
        body = patient(id=key, name=[{"family": f"Example{number}"}])
        url = f"{sandbox.base}/Patient/{key}"
        return httpx.put(url, json=body, headers={"If-Match": 'W/"1"'}).status_code

    with ThreadPoolExecutor(8) as clients:
        assert sorted(clients.map(update, range(8))) == [200] + [412] * 7


@pytest.mark.parametrize("status", [409, 412])
def test_the_answer_to_a_stale_version_can_be_chosen(status: int) -> None:
    with Sandbox(stale_status=status) as chosen, httpx.Client(base_url=f"{chosen.base}/") as client:
        key = client.post("Patient", json=patient()).json()["id"]
        stale = client.put(f"Patient/{key}", json=patient(id=key), headers={"If-Match": 'W/"9"'})
    assert stale.status_code == status
    assert stale.json()["resourceType"] == "OperationOutcome"


def test_without_transactions_none_are_declared_and_none_are_taken() -> None:
    with Sandbox(transactions=False) as plain, httpx.Client(base_url=f"{plain.base}/") as client:
        key = client.post("Patient", json=patient()).json()["id"]
        sent = transaction(entry("urn:uuid:6f0a0b1c-0000-4000-8000-000000000001", goal("g", f"Patient/{key}")))
        refused = client.post(plain.base, json=sent)
        declared = client.get("metadata").json()["rest"][0]["interaction"]
        goals = client.get("Goal").json()["total"]
    assert (refused.status_code, refused.json()["issue"][0]["code"]) == (501, "not-supported")
    assert declared == [{"code": "batch"}]
    assert goals == 0


def test_a_lost_answer_leaves_the_write_and_a_lost_request_does_not(sandbox: Sandbox, client: httpx.Client) -> None:
    def lose_the_answer(asked: Asked, handler: Handler) -> Answer:
        handler(asked)
        raise HangUp

    def lose_the_request(_: Asked, _handler: Handler) -> Answer:
        raise HangUp

    for misbehaviour in (lose_the_answer, lose_the_request):
        sandbox.misbehaviours[:] = [misbehaviour]
        with pytest.raises(httpx.RemoteProtocolError):
            client.post("Patient", json=patient())
        sandbox.misbehaviours.clear()
        assert client.get("Patient").json()["total"] == 1


def test_misbehaviours_wrap_each_other_outermost_first(sandbox: Sandbox, client: httpx.Client) -> None:
    seen: list[str] = []

    def noting(name: str):
        def note(asked: Asked, handler: Handler) -> Answer:
            seen.append(name)
            return handler(asked)

        return note

    sandbox.misbehaviours.extend([noting("outer"), noting("inner")])
    client.get("metadata")
    assert seen == ["outer", "inner"]
