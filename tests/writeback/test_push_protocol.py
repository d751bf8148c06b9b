import json
from pathlib import Path

import pytest

from careplan_bridge.endpoint.http import Client
from careplan_bridge.errors import WriteConflict
from careplan_bridge.fhir import raw
from careplan_bridge.fhir.protocol_resources import protocol_resources
from careplan_bridge.files import shipped
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.model.plan import Plan
from careplan_bridge.protocol.protocol_file import read_protocol
from careplan_bridge.writeback.identity import Resource
from careplan_bridge.writeback.push import NOTHING_TO_DO, push_protocol
from tests.writeback import occasions
from tests.writeback.occasions import ask, on_server

KINDS = ("ActivityDefinition", "CodeSystem", "ConceptMap", "PlanDefinition", "Questionnaire", "StructureDefinition")


@pytest.fixture(scope="module")
def resources() -> tuple[Resource, ...]:
    catalogue = shipped.catalogue()
    file = Path(occasions.FIXTURES / "protocols/acl-reconstruction.yaml")
    return protocol_resources(
        read_protocol(file.read_bytes(), "protocol", catalogue), catalogue, occasions.an_acl_plan().clinic
    )


def test_every_definition_is_there_once_and_a_second_push_changes_nothing(
    client: Client, ledger: Ledger, resources: tuple[Resource, ...], base: str
) -> None:
    first = push_protocol(client, ledger, resources)
    stored = [item for item in first.items if item.action == "created"]
    left_out = [kind for kind in KINDS if any(f"does not take {kind}:" in sentence for sentence in first.says)]
    assert sorted(item.what for item in stored) == sorted(
        each["resourceType"] for each in resources if each["resourceType"] not in left_out
    )
    assert {"PlanDefinition", "ActivityDefinition", "Questionnaire"} & set(left_out) == set()
    kinds = sorted({item.what for item in stored})
    before = {kind: on_server(base, kind) for kind in kinds}
    assert sum(map(len, before.values())) == len(stored)
    again = push_protocol(client, ledger, resources)
    assert ({item.action for item in again.items}, again.says[-1]) == ({"left-alone"}, NOTHING_TO_DO)
    assert {kind: on_server(base, kind) for kind in kinds} == before


def test_what_is_stored_is_what_was_converted(
    client: Client, ledger: Ledger, resources: tuple[Resource, ...], base: str
) -> None:
    push_protocol(client, ledger, resources)
    (stored,) = on_server(base, "PlanDefinition")
    converted = next(each for each in resources if each["resourceType"] == "PlanDefinition")
    assert {name: value for name, value in stored.items() if name not in {"id", "meta"}} == json.loads(
        raw.encode({name: value for name, value in converted.items() if name != "id"})
    )


def test_a_dry_run_of_a_protocol_sends_nothing(
    client: Client, ledger: Ledger, resources: tuple[Resource, ...], base: str
) -> None:
    shown = push_protocol(client, ledger, resources, dry_run=True)
    assert {item.action for item in shown.items} == {"would-create"}
    assert on_server(base, "PlanDefinition") == []


def test_other_content_under_the_same_version_is_refused_and_nothing_is_sent(
    client: Client, ledger: Ledger, resources: tuple[Resource, ...], base: str
) -> None:
    converted = next(each for each in resources if each["resourceType"] == "PlanDefinition")
    ask("POST", f"{base}/PlanDefinition", {**json.loads(raw.encode(converted)), "title": "another title"})
    with pytest.raises(WriteConflict, match=r"holds other content under PlanDefinition .*a version never changes"):
        push_protocol(client, ledger, resources)
    assert on_server(base, "Questionnaire") == []


def test_types_that_the_server_does_not_take_are_left_out_and_named(client: Client, ledger: Ledger, plan: Plan) -> None:
    unknown = {"resourceType": "SpecimenDefinition", "url": plan.protocol.url, "version": "1.0.0"}
    receipt = push_protocol(client, ledger, [unknown])
    assert receipt.items == ()
    assert "rehearsal does not take SpecimenDefinition: 1 left out" in receipt.says
