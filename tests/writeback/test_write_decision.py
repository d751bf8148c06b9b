import json
from datetime import timedelta

import pytest
from msgspec.structs import replace

from careplan_bridge.endpoint.http import Client
from careplan_bridge.errors import DecisionRefused, WriteConflict
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.model.course import Decided, StageEntered
from careplan_bridge.model.decision import Kind
from careplan_bridge.model.plan import Plan
from careplan_bridge.writeback.decision import write_decision
from careplan_bridge.writeback.push import push_plan
from careplan_bridge.writeback.resume import settle
from tests.writeback import occasions
from tests.writeback.occasions import Resource, acknowledged, ask, on_server


@pytest.fixture(autouse=True)
def _pushed(client: Client, ledger: Ledger, plan: Plan) -> None:
    push_plan(client, ledger, plan)


def stage_status(care_plan: Resource) -> dict[str, str]:
    return {a["id"]: a["detail"]["status"] for a in care_plan["activity"] if a["id"].startswith("stage-")}


def test_an_advance_ends_one_stage_and_begins_the_next(client: Client, ledger: Ledger, plan: Plan, base: str) -> None:
    decision, check = acknowledged(ledger, plan)
    write_decision(client, ledger, plan, decision, check)
    (care_plan,), goals = on_server(base, "CarePlan"), on_server(base, "Goal")
    status = stage_status(care_plan)
    assert (care_plan["status"], status["stage-settle"], status["stage-load"]) == ("active", "completed", "in-progress")
    assert [goal["lifecycleStatus"] for goal in goals] == ["completed"] * 5 + ["planned"] * 6
    assert len(care_plan["goal"]) == 11


def test_the_course_gains_the_decision_and_the_stage(client: Client, ledger: Ledger, plan: Plan) -> None:
    decision, check = acknowledged(ledger, plan)
    write_decision(client, ledger, plan, decision, check)
    decided, entered = ledger.course(plan.id).events
    assert isinstance(decided, Decided)
    assert isinstance(entered, StageEntered)
    assert (decided.decision, decided.kind, entered.stage) == (decision.id, "advance", "load")
    record = ledger.decision(decision.id)
    assert record is not None
    assert (record.state, ledger.waiting(plan.id), ledger.open_intents(plan.id)) == ("written", (), ())


def test_provenance_names_every_version_that_was_written(client: Client, ledger: Ledger, plan: Plan, base: str) -> None:
    decision, check = acknowledged(ledger, plan)
    write_decision(client, ledger, plan, decision, check)
    (provenance,) = on_server(base, "Provenance")
    held = [*on_server(base, "CarePlan"), *on_server(base, "Goal")]
    expected = {f"{r['resourceType']}/{r['id']}/_history/{r['meta']['versionId']}" for r in held}
    # A server may strip versions from references, so they stand in an extension.
    named = {
        f"{target['reference']}/_history/{target['extension'][0]['valueString']}" for target in provenance["target"]
    }
    assert named == expected


def test_writing_again_changes_nothing_and_says_so(client: Client, ledger: Ledger, plan: Plan, base: str) -> None:
    decision, check = acknowledged(ledger, plan)
    write_decision(client, ledger, plan, decision, check)
    before = [on_server(base, kind) for kind in ("CarePlan", "Goal", "Provenance")]
    again = write_decision(client, ledger, plan, decision, check)
    assert [on_server(base, kind) for kind in ("CarePlan", "Goal", "Provenance")] == before
    assert (again.changed, again.items) == (0, ())
    assert "written already" in again.says[0]


def test_remaining_makes_the_plan_active_and_ends_nothing(
    client: Client, ledger: Ledger, plan: Plan, base: str
) -> None:
    decision, check = acknowledged(ledger, plan, "remain")
    write_decision(client, ledger, plan, decision, check)
    (care_plan,) = on_server(base, "CarePlan")
    assert (care_plan["status"], stage_status(care_plan)["stage-settle"]) == ("active", "in-progress")
    assert {goal["lifecycleStatus"] for goal in on_server(base, "Goal")} == {"active"}
    assert ledger.course(plan.id).stage is None


def test_a_plan_goes_from_its_first_stage_to_discharge(client: Client, ledger: Ledger, plan: Plan, base: str) -> None:
    current, place = plan, 0
    while current.course.status != "completed":
        last = current.after(current.current.id) is None
        check = occasions.everything_met(current)
        decision = occasions.signed(current, check, "discharge" if last else "advance")
        # A stage a week: two decisions at one instant would be one.
        place += 1
        signatures = tuple(replace(s, at=s.at + timedelta(weeks=place)) for s in decision.signatures)
        decision = replace(decision, signatures=signatures)
        ledger.keep_check(check)
        ledger.save_decision(decision)
        write_decision(client, ledger, current, decision, check)
        current = ledger.plan(plan.id) or current
    (care_plan,) = on_server(base, "CarePlan")
    assert (care_plan["status"], set(stage_status(care_plan).values())) == ("completed", {"completed"})
    assert {goal["lifecycleStatus"] for goal in on_server(base, "Goal")} == {"completed"}
    assert len(on_server(base, "Provenance")) == len(plan.stages)


def test_only_a_fully_signed_decision_is_written(client: Client, ledger: Ledger, plan: Plan, base: str) -> None:
    check = occasions.everything_met(plan)
    unsigned = replace(occasions.signed(plan, check, "advance"), signatures=())
    with pytest.raises(DecisionRefused, match="not in this ledger"):
        write_decision(client, ledger, plan, unsigned, check)
    ledger.save_decision(unsigned)
    with pytest.raises(DecisionRefused, match="is open; only one that is fully signed"):
        write_decision(client, ledger, plan, unsigned, check)
    assert on_server(base, "CarePlan")[0]["status"] == "draft"


def test_a_decision_is_not_written_on_another_check(client: Client, ledger: Ledger, plan: Plan) -> None:
    decision, check = acknowledged(ledger, plan)
    with pytest.raises(DecisionRefused, match="another check"):
        write_decision(client, ledger, plan, decision, replace(check, digest="other"))


def test_what_others_wrote_beside_what_we_manage_is_kept(client: Client, ledger: Ledger, plan: Plan, base: str) -> None:
    (care_plan,) = on_server(base, "CarePlan")
    edited = {**care_plan, "note": [*care_plan["note"], {"text": "a note of another clinician"}]}
    ask("PUT", f"{base}/CarePlan/{care_plan['id']}", edited)
    decision, check = acknowledged(ledger, plan)
    write_decision(client, ledger, plan, decision, check)
    (after,) = on_server(base, "CarePlan")
    assert (after["status"], after["note"]) == ("active", edited["note"])


def test_a_change_of_what_we_manage_is_a_conflict_and_nothing_is_overwritten(
    client: Client, ledger: Ledger, plan: Plan, base: str
) -> None:
    (care_plan,) = on_server(base, "CarePlan")
    ask("PUT", f"{base}/CarePlan/{care_plan['id']}", {**care_plan, "status": "revoked"})
    decision, check = acknowledged(ledger, plan)
    with pytest.raises(WriteConflict) as conflict:
        write_decision(client, ledger, plan, decision, check)
    assert 'status was "draft", is "revoked", and would become "active"' in str(conflict.value)
    assert plan.patient.removeprefix("Patient/") not in str(conflict.value)
    assert (len(on_server(base, "Goal")), on_server(base, "CarePlan")[0]["status"]) == (5, "revoked")


def test_a_decision_in_conflict_waits_and_is_written_once_the_record_is_set_back(
    client: Client, ledger: Ledger, plan: Plan, base: str
) -> None:
    (care_plan,) = on_server(base, "CarePlan")
    place = f"{base}/CarePlan/{care_plan['id']}"
    ask("PUT", place, {**care_plan, "status": "revoked"})
    decision, check = acknowledged(ledger, plan)
    with pytest.raises(WriteConflict):
        write_decision(client, ledger, plan, decision, check)
    (waiting,) = ledger.waiting(plan.id)
    assert (waiting.state, ledger.course(plan.id).events) == ("writing", ())
    assert "revoked" in waiting.why
    ask("PUT", place, care_plan)
    assert settle(client, ledger, plan.id).changed == 13
    assert ledger.waiting(plan.id) == ()


def test_what_another_changed_on_a_goal_we_would_change_is_a_conflict_before_anything_is_sent(
    client: Client, ledger: Ledger, plan: Plan, base: str
) -> None:
    goal = on_server(base, "Goal")[0]
    ask("PUT", f"{base}/Goal/{goal['id']}", {**goal, "lifecycleStatus": "cancelled"})
    decision, check = acknowledged(ledger, plan)
    with pytest.raises(WriteConflict, match=f'Goal/{goal["id"]} was changed elsewhere.*"cancelled"'):
        write_decision(client, ledger, plan, decision, check)
    assert on_server(base, "CarePlan")[0]["meta"]["versionId"] == "1"


def test_digits_that_another_program_wrote_are_left_as_they_are(
    client: Client, ledger: Ledger, plan: Plan, base: str
) -> None:
    (care_plan,) = on_server(base, "CarePlan")
    extension = '{"url":"https://example.org/alder-quay/dose","valueDecimal":1.30}'
    body = json.dumps({**care_plan, "extension": ["PLACE"]}).replace('"PLACE"', extension)
    _put_text(f"{base}/CarePlan/{care_plan['id']}", body)
    decision, check = acknowledged(ledger, plan)
    write_decision(client, ledger, plan, decision, check)
    sent = [intent.body for intent in ledger.intents(plan.id) if b"1.3" in intent.body]
    assert sent
    assert all(b'"valueDecimal":1.30}' in body for body in sent)


def _put_text(url: str, text: str) -> None:
    from urllib.request import Request, urlopen  # noqa: PLC0415

    request = Request(url, data=text.encode(), method="PUT", headers={"Content-Type": "application/fhir+json"})  # noqa: S310
    with urlopen(request, timeout=30):  # noqa: S310 - loopback
        pass


def test_a_dry_run_of_a_decision_leaves_no_trace(client: Client, ledger: Ledger, plan: Plan, base: str) -> None:
    decision, check = acknowledged(ledger, plan)
    shown = write_decision(client, ledger, plan, decision, check, dry_run=True)
    assert {item.action for item in shown.items} <= {"would-create", "would-update"}
    assert len(on_server(base, "Goal")) == 5
    (waiting,) = ledger.waiting(plan.id)
    assert waiting.state == "ready"


def test_decisions_signed_in_one_instant_leave_a_provenance_each(
    client: Client, ledger: Ledger, base: str, plan: Plan
) -> None:
    """A server tells them apart by plan and instant only, so its condition would stop at the other's."""
    kinds: list[Kind] = ["remain", "advance", "remain"]
    for kind in kinds:
        now = replace(plan, course=ledger.course(plan.id))
        decision, check = acknowledged(ledger, now, kind)
        write_decision(client, ledger, now, decision, check)
    written = on_server(base, "Provenance")
    assert len({each["recorded"] for each in written}) == 1
    assert [each["activity"]["text"] for each in written] == kinds
