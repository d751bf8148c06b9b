"""A running sandbox and a client that talks to it."""

from collections.abc import Iterator

import httpx
import pytest

from careplan_bridge.sandbox.server import Sandbox


@pytest.fixture
def sandbox() -> Iterator[Sandbox]:
    """In memory, as a user would start it."""
    with Sandbox() as running:
        yield running


@pytest.fixture
def client(sandbox: Sandbox) -> Iterator[httpx.Client]:
    """Resolves paths below the base."""
    with httpx.Client(base_url=f"{sandbox.base}/") as client:
        yield client
