from collections.abc import Iterator
from pathlib import Path

import pytest

from careplan_bridge.endpoint.http import Client
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.model.plan import Plan
from careplan_bridge.sandbox.server import Sandbox
from tests.writeback import occasions

WAYS = {"together": True, "one-by-one": False}


@pytest.fixture(scope="session")
def plan() -> Plan:
    return occasions.an_acl_plan()


@pytest.fixture(params=WAYS)
def transactions(request: pytest.FixtureRequest) -> bool:
    """Every occasion is written both ways: as one transaction, and one resource after another."""
    return WAYS[request.param]


@pytest.fixture
def base(plan: Plan, *, transactions: bool) -> Iterator[str]:
    """A sandbox that knows the patient and nothing else."""
    with Sandbox(transactions=transactions) as sandbox:
        occasions.put_patient(sandbox.base, plan)
        yield sandbox.base


@pytest.fixture
def client(base: str) -> Iterator[Client]:
    with occasions.connected(occasions.endpoint(base)) as client:
        yield client


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with occasions.open_ledger(tmp_path / "ledger.sqlite") as ledger:
        yield ledger
