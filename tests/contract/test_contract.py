"""One contract over plain HTTP, on the sandbox and on a server that shares no line with it; HAPI's part is in tests/conformance."""

import secrets
from collections.abc import Iterator

import httpx
import pytest

from careplan_bridge.sandbox.server import Sandbox
from tests.contract.servers import CONTRACT, DIFFERENCES, expected, stable
from tests.sandbox import peer

RUN = secrets.token_hex(4)


@pytest.fixture(scope="module")
def client() -> Iterator[httpx.Client]:
    with httpx.Client(timeout=60) as client:
        yield client


@pytest.mark.parametrize("name", CONTRACT)
def test_an_independent_server_keeps_to_the_contract_or_differs_as_listed(
    name: str, independent_base: str, client: httpx.Client
) -> None:
    differences = peer.Peer(client, independent_base, f"{RUN}-{CONTRACT.index(name)}").differences(peer.load(name))
    assert stable(differences) == expected("sekmet-fhir", name)


def test_the_sandbox_itself_keeps_to_it() -> None:
    """As a whole, with its usual answer to a stale If-Match; tests/sandbox/test_peer_cases.py tells case from case."""
    with Sandbox() as sandbox, httpx.Client() as client:
        found = {
            name: peer.Peer(client, sandbox.base, f"{RUN}-{turn}").differences(peer.load(name))
            for turn, name in enumerate(CONTRACT)
        }
    assert {name: facts for name, facts in found.items() if facts} == {
        name: expected("sandbox", name) for name in DIFFERENCES["sandbox"]
    }


def test_the_contract_is_large_enough_and_every_difference_is_about_a_case() -> None:
    assert len(CONTRACT) >= 100
    assert {name for server in DIFFERENCES.values() for name in server} <= set(peer.names())


def test_every_difference_says_why() -> None:
    assert all(
        row["facts"] and str(row["why"]).endswith(".") for server in DIFFERENCES.values() for row in server.values()
    )
