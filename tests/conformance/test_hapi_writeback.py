"""Writing to a real HAPI server: it answers a stale If-Match with 409, strips versions from references, refuses dangling references."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from careplan_bridge.endpoint.http import Client
from careplan_bridge.errors import ServerRefused, WriteConflict
from careplan_bridge.fhir.protocol_resources import protocol_resources
from careplan_bridge.files import shipped
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.model.plan import Plan
from careplan_bridge.protocol.protocol_file import read_protocol
from careplan_bridge.writeback.decision import write_decision
from careplan_bridge.writeback.push import NOTHING_TO_DO, push_plan, push_protocol
from careplan_bridge.writeback.resume import settle
from tests.faults import killed
from tests.writeback import occasions
from tests.writeback.occasions import acknowledged, on_server

KINDS = ("CarePlan", "Goal", "Provenance")


@pytest.fixture(scope="module")
def plan() -> Plan:
    return occasions.an_acl_plan()


@pytest.fixture
def base(clean_hapi: str, plan: Plan) -> str:
    occasions.put_patient(clean_hapi, plan)
    return clean_hapi


@pytest.fixture(params=["declared", "never"])
def client(base: str, request: pytest.FixtureRequest) -> Iterator[Client]:
    """Both ways: as one transaction, and one resource after another."""
    with occasions.connected(occasions.endpoint(base, transactions=request.param)) as client:
        yield client


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with occasions.open_ledger(tmp_path / "ledger.sqlite") as ledger:
        yield ledger


def test_from_push_to_a_written_decision_and_back(client: Client, ledger: Ledger, plan: Plan, base: str) -> None:
    assert push_plan(client, ledger, plan).changed == 6
    assert push_plan(client, ledger, plan).says == (NOTHING_TO_DO,)
    decision, check = acknowledged(ledger, plan)
    write_decision(client, ledger, plan, decision, check)
    (care_plan,), goals, (provenance,) = (on_server(base, kind) for kind in KINDS)
    status = {a["id"]: a["detail"]["status"] for a in care_plan["activity"]}
    assert (care_plan["status"], status["stage-settle"], status["stage-load"]) == ("active", "completed", "in-progress")
    assert [goal["lifecycleStatus"] for goal in goals] == ["completed"] * 5 + ["planned"] * 6
    assert [goal["reference"] for goal in care_plan["goal"]] == [f"Goal/{goal['id']}" for goal in goals]
    written = {f"{r['resourceType']}/{r['id']}": r["meta"]["versionId"] for r in (care_plan, *goals)}
    assert {t["reference"]: t["extension"][0]["valueString"] for t in provenance["target"]} == written
    assert (ledger.open_intents(plan.id), ledger.waiting(plan.id)) == ((), ())
    together = client.endpoint.transactions == "declared"
    assert [intent.kind for intent in ledger.intents(plan.id)].count("transaction") == (2 if together else 0)


def test_writing_and_settling_again_changes_nothing(client: Client, ledger: Ledger, plan: Plan, base: str) -> None:
    push_plan(client, ledger, plan)
    decision, check = acknowledged(ledger, plan)
    write_decision(client, ledger, plan, decision, check)
    before = [on_server(base, kind) for kind in KINDS]
    assert settle(client, ledger, plan.id).changed == 0
    assert write_decision(client, ledger, plan, decision, check).changed == 0
    assert [on_server(base, kind) for kind in KINDS] == before


def test_an_editor_who_is_faster_is_kept(
    client: Client, ledger: Ledger, plan: Plan, base: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    push_plan(client, ledger, plan)
    decision, check = acknowledged(ledger, plan)
    occasions.edit_just_before_sending(monkeypatch, base, {"description": "words of another clinician"})
    write_decision(client, ledger, plan, decision, check)
    (care_plan,) = on_server(base, "CarePlan")
    assert (care_plan["status"], care_plan["description"], care_plan["meta"]["versionId"]) == (
        "active", "words of another clinician", "3",
    )  # fmt: skip
    assert len(on_server(base, "Goal")) == 11


def test_an_editor_who_changed_what_we_manage_is_a_conflict(
    client: Client, ledger: Ledger, plan: Plan, base: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    push_plan(client, ledger, plan)
    decision, check = acknowledged(ledger, plan)
    occasions.edit_just_before_sending(monkeypatch, base, {"status": "on-hold"})
    with pytest.raises(WriteConflict, match='status was "draft", is "on-hold", and would become "active"'):
        write_decision(client, ledger, plan, decision, check)
    assert on_server(base, "CarePlan")[0]["status"] == "on-hold"
    assert ledger.course(plan.id).events == ()


def test_a_patient_who_is_not_there_is_refused_without_a_name(client: Client, ledger: Ledger, plan: Plan) -> None:
    from msgspec.structs import replace  # noqa: PLC0415

    with pytest.raises(ServerRefused) as refused:
        push_plan(client, ledger, replace(plan, patient="Patient/nobody"))
    assert "nobody" not in str(refused.value)


def test_definitions_are_stored_once_and_read_back_the_same(client: Client, ledger: Ledger, base: str) -> None:
    catalogue, plan = shipped.catalogue(), occasions.an_acl_plan()
    protocol = read_protocol(
        (occasions.FIXTURES / "protocols/acl-reconstruction.yaml").read_bytes(), "protocol", catalogue
    )
    resources = protocol_resources(protocol, catalogue, plan.clinic)
    first = push_protocol(client, ledger, resources)
    assert (len(first.items), {item.action for item in first.items}) == (len(resources), {"created"})
    assert push_protocol(client, ledger, resources).says == (NOTHING_TO_DO,)
    assert len(on_server(base, "PlanDefinition")) == 1


# Dying with the answer to the commit point lost, or that to Provenance, which has no identifier to be found by.
@pytest.mark.parametrize(("transactions", "nth"), [("declared", 1), ("declared", 2), ("never", 7), ("never", 13)])
def test_a_run_that_died_with_its_write_done_is_gone_on_with(
    base: str, plan: Plan, tmp_path: Path, transactions: str, nth: int
) -> None:
    path = tmp_path / "ledger.sqlite"
    to = occasions.endpoint(base, transactions=transactions)
    with occasions.connected(to) as client, occasions.open_ledger(path) as ledger:
        push_plan(client, ledger, plan)
        acknowledged(ledger, plan)
    killed.kill("decision", to, path, plan, nth, "answer lost")
    with occasions.connected(to) as client, occasions.open_ledger(path) as ledger:
        settle(client, ledger, plan.id)
        assert (ledger.open_intents(plan.id), ledger.waiting(plan.id)) == ((), ())
    versions = {kind: [resource["meta"]["versionId"] for resource in on_server(base, kind)] for kind in KINDS}
    assert versions == {"CarePlan": ["2"], "Goal": ["2"] * 5 + ["1"] * 6, "Provenance": ["1"]}


@pytest.mark.parametrize("transactions", ["declared", "never"])
def test_a_server_that_validates_every_write_takes_all_of_it(
    clean_validating_hapi: str, ledger: Ledger, plan: Plan, transactions: str
) -> None:
    occasions.put_patient(clean_validating_hapi, plan)
    to = occasions.endpoint(clean_validating_hapi, transactions=transactions, us_core=True)
    with occasions.connected(to) as client:
        assert push_plan(client, ledger, plan).changed == 6
        decision, check = acknowledged(ledger, plan)
        assert write_decision(client, ledger, plan, decision, check).changed == 13
