from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path

import pytest

from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.model.case import Confirmed, Person, Surgery
from careplan_bridge.model.conventions import Clinic
from careplan_bridge.model.criterion import Criterion, Measured, WithinBounds
from careplan_bridge.model.decision import Decision
from careplan_bridge.model.endpoint import Endpoint
from careplan_bridge.model.plan import Plan, ProtocolRef
from careplan_bridge.model.protocol import Stage, Window
from careplan_bridge.model.value import Bounds, Threshold

NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


def stage(stage_id: str) -> Stage:
    flexion = WithinBounds(
        measured=Measured(measure="knee_flexion", qualifiers={"movement": "active"}),
        bounds=Bounds(low=Threshold(number=Decimal("90.0"))),
    )
    criterion = Criterion(
        id="flexion", says="Knee flexion, active, at least 90 deg", condition=flexion, no_older_than=10
    )
    return Stage(id=stage_id, title=stage_id.title(), window=Window(), criteria=(criterion,))


@pytest.fixture
def plan() -> Plan:
    return Plan(
        id="6f0b9a52-6f0e-5d06-8c55-f3f1f7a7a001",
        revision=1,
        case="case-1",
        patient="Patient/p1",
        protocol=ProtocolRef(
            id="knee",
            version="1.0.0",
            url="https://example.org/p/knee",
            title="Knee",
            notice="made-up criteria, not for care",
            digest="d",
        ),
        clinic=Clinic(
            base="https://example.org/alder-quay", name="Alder Quay", contact="made up", timezone="Europe/Berlin"
        ),
        side="left",
        surgery="s1",
        surgeries=(Surgery(id="s1", procedure="made-up", on=date(2026, 1, 5), side="left"),),
        people=(
            Person(id="t1", name="Therapist One", role="therapist"),
            Person(id="d1", name="Surgeon One", role="surgeon"),
        ),
        orders=(),
        orders_confirmed=Confirmed(by="t1", on=date(2026, 1, 6)),
        own_goals=(),
        signatures={"advance": ("therapist",), "discharge": ("therapist", "surgeon")},
        red_flags=(),
        stages=(stage("settle"), stage("bend"), stage("discharge")),
        facts={},
        catalogue_digest="c",
        conventions_digest="v",
        case_digest="a",
    )


@pytest.fixture
def discharge(plan: Plan) -> Decision:
    return Decision(
        id="decision-1", plan=plan.id, revision=1, kind="discharge", stage="discharge", to_stage=None, digest="x",
        outcome="awaiting-decision", reason="all met", decided_at=NOON, roles=("therapist", "surgeon"),
    )  # fmt: skip


@pytest.fixture
def endpoint() -> Endpoint:
    return Endpoint(name="rehearsal", base="http://127.0.0.1:1/fhir", environment="sandbox")


@pytest.fixture
def open_ledger(tmp_path: Path) -> Callable[[], Ledger]:
    """Opens the one ledger of a test; used in `with`."""
    return lambda: Ledger(tmp_path / "ledger.sqlite", now=lambda: NOON, owner="test")


@pytest.fixture
def ledger(open_ledger: Callable[[], Ledger], plan: Plan) -> Iterator[Ledger]:
    with open_ledger() as ledger:
        ledger.add_plan(plan)
        yield ledger
