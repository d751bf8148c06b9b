"""Every case of data/peer/ on the sandbox; tests/conformance/ runs the same files on HAPI."""

from collections.abc import Iterator

import httpx
import pytest

from careplan_bridge.sandbox.server import Sandbox
from tests.sandbox import peer


@pytest.fixture(scope="module")
def sandbox() -> Iterator[Sandbox]:
    """With HAPI's answer to a stale If-Match, so that both servers can be held to the same files."""
    with Sandbox(stale_status=409) as running:
        yield running


@pytest.fixture(scope="module")
def client() -> Iterator[httpx.Client]:
    with httpx.Client() as client:
        yield client


@pytest.mark.parametrize("name", peer.names())
def test_the_sandbox_answers_as_the_case_says(name: str, sandbox: Sandbox, client: httpx.Client) -> None:
    run = f"run-{peer.names().index(name)}"
    assert peer.Peer(client, sandbox.base, run).differences(peer.load(name)) == []
