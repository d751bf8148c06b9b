"""The sandbox answers as HAPI does with validation on: the same cases run on both, and every difference is listed."""

import secrets
from collections.abc import Iterator

import httpx
import pytest

from tests.contract.servers import DIFFERENCES, expected
from tests.sandbox import peer

RUN = secrets.token_hex(4)


@pytest.fixture(scope="module")
def client() -> Iterator[httpx.Client]:
    with httpx.Client(timeout=120) as client:
        yield client


@pytest.mark.hapi
@pytest.mark.parametrize("name", peer.names())
def test_hapi_answers_as_the_case_says_or_as_listed(name: str, hapi_validating_base: str, client: httpx.Client) -> None:
    run = f"{RUN}-{peer.names().index(name)}"
    differences = peer.Peer(client, hapi_validating_base, run).differences(peer.load(name))
    assert differences == expected("HAPI", name)


def test_most_cases_are_answered_alike() -> None:
    assert len(peer.names()) - len(DIFFERENCES["HAPI"]) >= 60
