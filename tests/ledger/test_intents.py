import pytest

from careplan_bridge.errors import OurFault
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.ledger.records import ByIdentifier, ByVersion, Intent, IntentState
from careplan_bridge.model.plan import Plan

STATES: tuple[IntentState, ...] = ("planned", "sent", "unknown", "confirmed", "conflict", "refused", "parked")


def intend(ledger: Ledger, plan: Plan, body: bytes = b"{}") -> Intent:
    return ledger.intend(
        subject=plan.id, step="care plan", kind="update", target="CarePlan/1", guard=ByVersion(version="3"), body=body
    )


def test_a_write_is_set_down_sent_and_confirmed(ledger: Ledger, plan: Plan) -> None:
    intent = intend(ledger, plan)
    assert (intent.state, intent.tries, intent.guard) == ("planned", 0, ByVersion(version="3"))
    ledger.mark(intent.id, "sent")
    assert ledger.open_intents(plan.id)[0].tries == 1
    ledger.mark(intent.id, "confirmed", reference="CarePlan/1", version="4")
    settled = ledger.intent(intent.id)
    assert (settled.state, settled.reference, settled.version) == ("confirmed", "CarePlan/1", "4")
    assert settled.settled is not None
    assert ledger.open_intents(plan.id) == ()


def test_an_open_write_is_planned_anew_in_its_place(ledger: Ledger, plan: Plan) -> None:
    first = intend(ledger, plan)
    ledger.mark(first.id, "sent")
    ledger.mark(first.id, "conflict")
    again = intend(ledger, plan, b'{"id":"1"}')
    assert (again.id, again.tries, again.body, again.state) == (first.id, 1, b'{"id":"1"}', "planned")
    assert again.digest != first.digest


@pytest.mark.parametrize("state", ["sent", "unknown"])
def test_a_write_of_unknown_fate_is_never_repeated(ledger: Ledger, plan: Plan, state: IntentState) -> None:
    intent = intend(ledger, plan)
    for step in ("sent", "unknown")[: ("sent", "unknown").index(state) + 1]:
        ledger.mark(intent.id, step)
    with pytest.raises(OurFault, match="must be found out"):
        intend(ledger, plan)


def test_what_is_confirmed_stays_confirmed_and_the_next_write_is_another(ledger: Ledger, plan: Plan) -> None:
    first = intend(ledger, plan)
    ledger.mark(first.id, "sent")
    ledger.mark(first.id, "confirmed")
    for state in STATES:
        with pytest.raises(OurFault, match="can't become"):
            ledger.mark(first.id, state)
    assert intend(ledger, plan).id != first.id


def test_a_create_keeps_the_search_that_guards_it(ledger: Ledger, plan: Plan) -> None:
    guard = ByIdentifier(query="identifier=https://example.org/goal|a/b")
    intent = ledger.intend(subject=plan.id, step="goal", kind="create", target="Goal", guard=guard, body=b"{}")
    assert intent.guard == guard


def test_what_was_seen_last_replaces_what_was_seen_before(ledger: Ledger) -> None:
    ledger.saw("http://a/fhir", "Goal/1", "1", b'{"lifecycleStatus":"planned"}')
    ledger.saw("http://a/fhir", "Goal/1", "2", b'{"lifecycleStatus":"active"}')
    seen = ledger.seen("http://a/fhir", "Goal/1")
    assert seen is not None
    assert (seen.version, seen.managed) == ("2", b'{"lifecycleStatus":"active"}')
    assert ledger.seen("http://b/fhir", "Goal/1") is None
