"""What holds for every test: a frozen clock in an odd time zone, no network but loopback, nothing from the environment."""

import os
import time
from collections.abc import Iterator
from datetime import UTC, datetime

import pytest
import time_machine
from hypothesis import HealthCheck, settings

from tests import network

pytest_plugins = ["tests.conformance.fixtures"]

# Chatham is 13:45 ahead in summer and 12:45 in winter: what mixes up local time and UTC lands on another day.
ZONE = "Pacific/Chatham"
# 01:15 on the 5th in Chatham, 11:30 on the 4th in UTC.
NOW = datetime(2026, 3, 4, 11, 30, tzinfo=UTC)

# What a developer's shell may set and a test must not see.
SCRUBBED = {"COLUMNS", "LINES", "FORCE_COLOR", "NO_COLOR", "CAREPLAN_BRIDGE_LEDGER"}
PROXIES = {"http_proxy", "https_proxy", "all_proxy", "ftp_proxy", "no_proxy"}

settings.register_profile("dev", max_examples=30, deadline=None)
# The same commit gives the same answer in CI; the search for new faults is the third profile, run by hand.
settings.register_profile("ci", max_examples=100, deadline=None, derandomize=True)
settings.register_profile("search", max_examples=5000, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def pytest_configure() -> None:
    for name in [name for name in os.environ if name in SCRUBBED or name.lower() in PROXIES]:
        del os.environ[name]
    os.environ["TZ"] = ZONE
    time.tzset()
    settings.load_profile(chosen_profile())
    network.allow_loopback_only()


def chosen_profile() -> str:
    """The hypothesis profile of this run."""
    return os.environ.get("CAREPLAN_BRIDGE_HYPOTHESIS") or ("ci" if os.environ.get("CI") else "dev")


@pytest.fixture(autouse=True)
def now() -> Iterator[datetime]:
    """The moment at which every test runs; only the wall clock stands still, waiting for a process works."""
    # As a number: a moment in UTC would put the local zone back to UTC.
    with time_machine.travel(NOW.timestamp(), tick=False):
        yield NOW
