import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from msgspec.structs import replace

from careplan_bridge.endpoint.http import Client
from careplan_bridge.errors import InputRefused, ServerRefused, WriteConflict, WrongUse
from careplan_bridge.fhir import raw
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.model.plan import Plan
from careplan_bridge.writeback.push import NOTHING_TO_DO, push_plan
from tests.writeback import occasions
from tests.writeback.occasions import ask, on_server


def test_goals_and_care_plan_are_there_once_and_point_to_each_other(
    client: Client, ledger: Ledger, plan: Plan, base: str
) -> None:
    receipt = push_plan(client, ledger, plan)
    goals, (care_plan,) = on_server(base, "Goal"), on_server(base, "CarePlan")
    assert [item.action for item in receipt.items] == ["created"] * 6
    assert [goal["reference"] for goal in care_plan["goal"]] == [f"Goal/{goal['id']}" for goal in goals]
    assert (care_plan["status"], {goal["lifecycleStatus"] for goal in goals}) == ("draft", {"planned"})
    assert "urn:uuid" not in json.dumps(care_plan)


def test_the_ledger_knows_every_resource_by_its_identifier(
    client: Client, ledger: Ledger, plan: Plan, base: str
) -> None:
    push_plan(client, ledger, plan)
    binding = ledger.binding(plan.id)
    assert binding is not None
    expected = {goal["identifier"][0]["value"]: f"Goal/{goal['id']}" for goal in on_server(base, "Goal")}
    assert (binding.goals, binding.care_plan) == (expected, f"CarePlan/{on_server(base, 'CarePlan')[0]['id']}")
    assert ledger.open_intents(plan.id) == ()


def test_a_second_push_changes_nothing_and_says_so(client: Client, ledger: Ledger, plan: Plan, base: str) -> None:
    push_plan(client, ledger, plan)
    before = on_server(base, "Goal"), on_server(base, "CarePlan")
    receipt = push_plan(client, ledger, plan)
    assert (on_server(base, "Goal"), on_server(base, "CarePlan")) == before
    assert {item.action for item in receipt.items} == {"left-alone"}
    assert receipt.says == (NOTHING_TO_DO,)


def test_what_is_missing_is_added_to_what_is_there(client: Client, ledger: Ledger, plan: Plan, base: str) -> None:
    dry = push_plan(client, ledger, plan, dry_run=True)
    first = dry.requests[0].body
    goal = first["entry"][0]["resource"] if first["resourceType"] == "Bundle" else first
    kept = ask("POST", f"{base}/Goal", json.loads(raw.encode(goal)))
    receipt = push_plan(client, ledger, plan)
    assert sorted(item.action for item in receipt.items) == ["created"] * 5 + ["left-alone"]
    assert len(on_server(base, "Goal")) == 5
    assert on_server(base, "CarePlan")[0]["goal"][0] == {"reference": f"Goal/{kept['id']}"}


def test_a_dry_run_shows_the_very_bodies_and_leaves_no_trace(
    client: Client, ledger: Ledger, plan: Plan, base: str, *, transactions: bool
) -> None:
    shown = push_plan(client, ledger, plan, dry_run=True)
    assert (on_server(base, "Goal"), on_server(base, "CarePlan"), ledger.plans(), ledger.intents(plan.id)) == (
        [],
        [],
        (),
        (),
    )
    assert {item.action for item in shown.items} == {"would-create"}
    push_plan(client, ledger, plan)
    sent = [intent.body for intent in ledger.intents(plan.id)]
    bodies = [raw.encode(request.body) for request in shown.requests]
    # One after another, the CarePlan's references to Goals are known only when the server has named them.
    assert bodies == sent if transactions else bodies[:-1] == sent[:-1]


def test_two_with_one_identifier_are_both_named_and_no_third_is_made(
    client: Client, ledger: Ledger, plan: Plan, base: str
) -> None:
    push_plan(client, ledger, plan)
    (care_plan,) = on_server(base, "CarePlan")
    twin = ask(
        "POST", f"{base}/CarePlan", {name: value for name, value in care_plan.items() if name not in {"id", "meta"}}
    )
    with pytest.raises(WriteConflict, match=f"CarePlan/{care_plan['id']} and CarePlan/{twin['id']} all carry"):
        push_plan(client, ledger, plan)
    assert len(on_server(base, "CarePlan")) == 2


def test_criteria_whose_identifiers_collide_are_refused_before_anything_is_sent(
    client: Client, ledger: Ledger, plan: Plan, base: str
) -> None:
    first, second, *others = plan.stages[0].criteria
    stage = replace(plan.stages[0], criteria=(first, replace(second, id=first.id), *others))
    with pytest.raises(InputRefused) as refused:
        push_plan(client, ledger, replace(plan, stages=(stage, *plan.stages[1:])))
    assert first.says in str(refused.value)
    assert second.says in str(refused.value)
    assert on_server(base, "Goal") == []


def test_a_plan_stays_on_its_endpoint(client: Client, ledger: Ledger, plan: Plan) -> None:
    push_plan(client, ledger, plan)
    ledger_of_another = replace(client.endpoint, name="other", base="http://127.0.0.1:9/fhir")
    with pytest.raises(WrongUse, match="lives on endpoint rehearsal"):
        ledger.bind(plan.id, ledger_of_another, plan.patient)


def test_an_unknown_patient_is_refused_and_can_be_pushed_later(
    client: Client, ledger: Ledger, plan: Plan, base: str
) -> None:
    stranger = replace(plan, patient="Patient/nobody")
    with pytest.raises(ServerRefused) as refused:
        push_plan(client, ledger, stranger)
    assert "nobody" not in str(refused.value)
    occasions.put_patient(base, stranger)
    assert push_plan(client, ledger, stranger).changed == 6
    assert ledger.open_intents(plan.id) == ()


@pytest.fixture
def forgetful(tmp_path: Path) -> Iterator[Ledger]:
    with occasions.open_ledger(tmp_path / "another.sqlite") as ledger:
        yield ledger


def test_another_ledger_finds_what_is_there_and_adds_nothing(
    client: Client, ledger: Ledger, forgetful: Ledger, plan: Plan, base: str
) -> None:
    push_plan(client, ledger, plan)
    receipt = push_plan(client, forgetful, plan)
    assert receipt.changed == 0
    assert forgetful.binding(plan.id) == ledger.binding(plan.id)
    assert len(on_server(base, "Goal")) == 5
