"""What only a person settles: hand entry, a conflict, a Patient who became another; and two bridges on one server."""

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import TypedDict

import pytest
from msgspec.structs import replace

from careplan_bridge.endpoint.http import Client
from careplan_bridge.errors import DecisionRefused, RunAgain, WriteConflict
from careplan_bridge.files import shipped
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.measures.conventions_file import read_conventions
from careplan_bridge.measures.reader import Reader
from careplan_bridge.model.check import CriteriaCheck
from careplan_bridge.model.course import Decided, Responded
from careplan_bridge.model.decision import Decision
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.statement import sheet_code, statement
from careplan_bridge.review.hand_entry import sheet
from careplan_bridge.sandbox.exchange import Answer, Asked
from careplan_bridge.writeback import by_hand
from careplan_bridge.writeback.decision import write_decision
from careplan_bridge.writeback.push import push_plan
from tests.faults.in_process import Resource, Server, connected
from tests.writeback import occasions
from tests.writeback.occasions import MOMENT

NOTHING = ("CarePlan.create", "DocumentReference.create", "Observation.create", "Communication.create")


@pytest.fixture(scope="module")
def plan() -> Plan:
    return occasions.an_acl_plan()


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with occasions.open_ledger(tmp_path / "ledger.sqlite") as ledger:
        yield ledger


@pytest.fixture
def server(plan: Plan) -> Server:
    return Server((), plan.patient)


@pytest.fixture
def client(server: Server) -> Iterator[Client]:
    with connected(server) as client:
        yield client


class Words(TypedDict):
    person: str
    reason: str
    at: datetime


def by(plan: Plan, reason: str) -> Words:
    return {"person": plan.people[0].id, "reason": reason, "at": MOMENT}


def pushed_and_signed(client: Client, ledger: Ledger, plan: Plan) -> tuple[Decision, CriteriaCheck]:
    push_plan(client, ledger, plan)
    return occasions.acknowledged(ledger, plan)


def edited(server: Server, kind: str, **change: object) -> Resource:
    resource = {**server.held(kind)[0], **change}
    server.put(resource)
    return resource


def state(ledger: Ledger, decision: Decision) -> str:
    record = ledger.decision(decision.id)
    return record.state if record else ""


def test_a_parked_decision_is_done_once_a_named_person_has_transcribed_it(plan: Plan, ledger: Ledger) -> None:
    with connected(Server(NOTHING, plan.patient)) as client:
        decision, check = pushed_and_signed(client, ledger, plan)
        said = " ".join(write_decision(client, ledger, plan, decision, check).says)
    assert (state(ledger, decision), ledger.course(plan.id).events) == ("parked", ())
    code = sheet_code(statement(plan, decision, check))
    assert code in said
    words = by(plan, "entered in the flow sheet")
    with pytest.raises(DecisionRefused, match="not the code"):
        by_hand.transcribed(ledger, plan, decision, check, "00000000", **words)
    with pytest.raises(DecisionRefused, match="no person of this case"):
        by_hand.transcribed(ledger, plan, decision, check, code, person="nobody", reason="", at=MOMENT)
    by_hand.transcribed(ledger, plan, decision, check, code, **words)
    assert state(ledger, decision) == "written"
    kinds = [type(event) for event in ledger.course(plan.id).events]
    assert (kinds.count(Decided), kinds.count(Responded), ledger.course(plan.id).stage) == (1, 1, decision.to_stage)


def test_the_sheet_says_everything_and_is_escaped(plan: Plan) -> None:
    check = occasions.everything_met(plan)
    decision = replace(occasions.signed(plan, check, "advance"), reason="<b>knee & hip</b>")
    lines = statement(plan, decision, check)
    page = sheet(lines, sheet_code(lines), decision.id).decode()
    assert "&lt;b&gt;knee &amp; hip&lt;/b&gt;" in page
    assert all(word in page for word in (decision.id, sheet_code(lines), "not a medical device", plan.people[0].name))


def test_the_same_decision_has_the_same_code_and_another_has_another(plan: Plan) -> None:
    check = occasions.everything_met(plan)
    one = occasions.signed(plan, check, "advance")
    codes = {sheet_code(statement(plan, each, check)) for each in (one, one, replace(one, reason="other"))}
    assert len(codes) == 2


def test_our_own_observation_is_no_reading_and_no_unusable_entry(plan: Plan, ledger: Ledger) -> None:
    server = Server(("CarePlan.update", "DocumentReference.create"), plan.patient)
    with connected(server) as client:
        decision, check = pushed_and_signed(client, ledger, plan)
        write_decision(client, ledger, plan, decision, check)
    held = server.held("Observation")
    catalogue = shipped.catalogue()
    conventions = read_conventions((occasions.FIXTURES / "conventions.toml").read_bytes(), "conventions", catalogue)
    read = Reader(catalogue, conventions).read_all(held, patient=plan.patient)
    assert (len(held), read.readings, read.unusable) == (1, (), ())


def test_ours_is_written_once_a_person_says_so(client: Client, server: Server, ledger: Ledger, plan: Plan) -> None:
    decision, check = pushed_and_signed(client, ledger, plan)
    goal = edited(server, "Goal", lifecycleStatus="on-hold")
    with pytest.raises(WriteConflict, match="on-hold"):
        write_decision(client, ledger, plan, decision, check)
    reference = f"Goal/{goal['id']}"
    words = by(plan, "put on hold by mistake")
    by_hand.settle_conflict(client, ledger, plan, reference, "ours", **words)
    write_decision(client, ledger, plan, decision, check)
    (found,) = [each for each in server.held("Goal") if each["id"] == goal["id"]]
    assert (found["lifecycleStatus"], state(ledger, decision)) == ("completed", "written")


def test_an_edit_after_the_answer_is_a_conflict_again(
    client: Client, server: Server, ledger: Ledger, plan: Plan
) -> None:
    decision, check = pushed_and_signed(client, ledger, plan)
    goal = edited(server, "Goal", lifecycleStatus="on-hold")
    with pytest.raises(WriteConflict):
        write_decision(client, ledger, plan, decision, check)
    words = by(plan, "a mistake")
    by_hand.settle_conflict(client, ledger, plan, f"Goal/{goal['id']}", "ours", **words)
    edited(server, "Goal", lifecycleStatus="cancelled")
    with pytest.raises(WriteConflict, match="cancelled"):
        write_decision(client, ledger, plan, decision, check)


def test_theirs_stays_in_a_goal_and_the_rest_is_written(
    client: Client, server: Server, ledger: Ledger, plan: Plan
) -> None:
    decision, check = pushed_and_signed(client, ledger, plan)
    goal = edited(server, "Goal", lifecycleStatus="on-hold")
    with pytest.raises(WriteConflict):
        write_decision(client, ledger, plan, decision, check)
    words = by(plan, "the surgeon asked for it")
    by_hand.settle_conflict(client, ledger, plan, f"Goal/{goal['id']}", "theirs", **words)
    write_decision(client, ledger, plan, decision, check)
    statuses = {each["id"]: each["lifecycleStatus"] for each in server.held("Goal")}
    assert (statuses[goal["id"]], state(ledger, decision)) == ("on-hold", "written")
    assert server.held("CarePlan")[0]["status"] == "active"


def test_theirs_in_the_care_plan_parks_the_decision(client: Client, server: Server, ledger: Ledger, plan: Plan) -> None:
    decision, check = pushed_and_signed(client, ledger, plan)
    care_plan = edited(server, "CarePlan", status="on-hold")
    with pytest.raises(WriteConflict, match="on-hold"):
        write_decision(client, ledger, plan, decision, check)
    words = by(plan, "the plan is paused")
    by_hand.settle_conflict(client, ledger, plan, f"CarePlan/{care_plan['id']}", "theirs", **words)
    assert state(ledger, decision) == "parked"
    assert server.held("CarePlan")[0]["status"] == "on-hold"


def merged(server: Server, plan: Plan, into: str) -> None:
    server.put({"resourceType": "Patient", "id": into})
    link = {"other": {"reference": f"Patient/{into}"}, "type": "replaced-by"}
    server.put({"resourceType": "Patient", "id": plan.patient.partition("/")[2], "active": False, "link": [link]})


def test_nothing_is_written_about_a_merged_patient_until_a_person_says_who_it_is(
    client: Client, server: Server, ledger: Ledger, plan: Plan
) -> None:
    decision, check = pushed_and_signed(client, ledger, plan)
    merged(server, plan, "survivor")
    server.sent.clear()
    for write in (
        lambda: write_decision(client, ledger, plan, decision, check),
        lambda: push_plan(client, ledger, plan),
    ):
        with pytest.raises(WriteConflict, match="identity changed"):
            write()
    assert not server.sent
    words = by(plan, "checked name and birth date")
    by_hand.rebind(client, ledger, plan, "Patient/survivor", **words)
    now = ledger.plan(plan.id)
    assert now is not None
    assert (now.patient, now.revision) == ("Patient/survivor", plan.revision + 1)
    write_decision(client, ledger, plan, decision, check)
    subjects = {each["subject"]["reference"] for each in server.held("Goal") if each["lifecycleStatus"] == "planned"}
    assert subjects == {"Patient/survivor"}


def test_a_plan_is_not_pushed_for_a_patient_who_was_merged_before(
    client: Client, server: Server, ledger: Ledger, plan: Plan
) -> None:
    merged(server, plan, "survivor")
    server.sent.clear()
    with pytest.raises(WriteConflict, match="merged into another"):
        push_plan(client, ledger, plan)
    assert not server.sent


def test_a_patient_is_not_changed_without_the_record(
    client: Client, ledger: Ledger, plan: Plan, server: Server
) -> None:
    push_plan(client, ledger, plan)
    server.put({"resourceType": "Patient", "id": "other"})
    words = by(plan, "a slip")
    with pytest.raises(DecisionRefused, match="as it was"):
        by_hand.rebind(client, ledger, plan, "Patient/other", **words)


def test_a_plan_is_not_bound_to_a_patient_who_is_out_of_use_too(
    client: Client, ledger: Ledger, plan: Plan, server: Server
) -> None:
    push_plan(client, ledger, plan)
    merged(server, plan, "survivor")
    server.put({"resourceType": "Patient", "id": "out-of-use", "active": False})
    for patient in ("Patient/out-of-use", "Patient/nowhere"):
        with pytest.raises(DecisionRefused, match="can't be the one"):
            by_hand.rebind(client, ledger, plan, patient, **by(plan, "a slip"))
    assert ledger.plan(plan.id) == plan


def test_two_bridges_on_one_server_double_nothing_and_see_each_other(
    client: Client, server: Server, ledger: Ledger, plan: Plan, tmp_path: Path
) -> None:
    decision, check = pushed_and_signed(client, ledger, plan)
    with occasions.open_ledger(tmp_path / "other.sqlite") as other:
        push_plan(client, other, plan)
        assert [len(server.held(kind)) for kind in ("CarePlan", "Goal")] == [1, len(plan.current.criteria)]
        write_decision(client, ledger, plan, decision, check)
        late, at_that = occasions.acknowledged(other, plan, "remain")
        with pytest.raises(WriteConflict, match="changed elsewhere"):
            write_decision(client, other, plan, late, at_that)


def test_two_runs_on_one_ledger_take_turns(tmp_path: Path, ledger: Ledger) -> None:
    del ledger
    with pytest.raises(RunAgain, match="in use"), occasions.open_ledger(tmp_path / "ledger.sqlite"):
        pass


def test_a_server_that_drops_identifiers_without_saying_so_is_found_out_and_doubles_nothing(
    plan: Plan, ledger: Ledger
) -> None:
    server = Server(("identifier",), plan.patient)
    everything, own = Server((), plan.patient).handler, server.handler

    def answer(asked: Asked) -> Answer:
        """Declares all, and finds nothing by identifiers that it does not keep."""
        if asked.path == ("metadata",):
            return everything(asked)
        empty = {"resourceType": "Bundle", "type": "searchset", "total": 0}
        return Answer(200, empty) if "identifier=" in asked.query and asked.method == "GET" else own(asked)

    server.handler = answer
    with connected(server, transactions="never") as client:
        push_plan(client, ledger, plan)
        push_plan(client, ledger, plan)
        assert ledger.facts(client.endpoint.base, "observed") == {"identifier": False}
    assert [len(server.held(kind)) for kind in ("CarePlan", "Goal")] == [1, len(plan.current.criteria)]
