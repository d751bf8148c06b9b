"""A server that declares what it refuses: each refusal is remembered, so that the run after it takes the rung below, as it forecasts."""

from collections.abc import Callable, Iterator
from itertools import combinations
from pathlib import Path

import pytest

from careplan_bridge.endpoint.http import Client
from careplan_bridge.errors import ServerRefused
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.model.plan import Plan
from careplan_bridge.sandbox.exchange import Answer, Asked
from careplan_bridge.writeback.decision import write_decision
from careplan_bridge.writeback.forecast import forecast, push_forecast
from careplan_bridge.writeback.push import push_plan
from careplan_bridge.writeback.resume import settle
from tests.faults.in_process import Server, connected
from tests.faults.test_ladder_forecast import plan, steps, taken, trusted_structure
from tests.writeback import occasions

__all__ = ["plan", "trusted_structure"]

CLAIMED = (
    "Goal.update",
    "Goal.create",
    "CarePlan.update",
    "Provenance.create",
    "DocumentReference.create",
    "Observation.create",
)
RECORDS = ("DocumentReference", "Observation", "Communication")


def subsets() -> Iterator[tuple[str, ...]]:
    """Without transactions: the sandbox looks at what it lacks request by request, and takes all within one."""
    for size in range(len(CLAIMED) + 1):
        yield from (("transaction", *chosen) for chosen in combinations(CLAIMED, size))


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(tmp_path / "ledger.sqlite", now=occasions.now, owner="test") as ledger:
        yield ledger


def until_done(write: Callable[[], object], at_most: int) -> list[str]:
    """What was refused on the way."""
    refusals: list[str] = []
    while len(refusals) <= at_most:
        try:
            write()
        except ServerRefused as refused:
            refusals.append(str(refused))
        else:
            return refusals
    raise AssertionError(refusals)


@pytest.mark.usefixtures("trusted_structure")
@pytest.mark.parametrize("part", range(4))
def test_every_false_claim_is_found_out_once(part: int, plan: Plan, tmp_path: Path) -> None:
    for number, lacks in enumerate(list(subsets())[part::4]):
        path = tmp_path / f"{number}.sqlite"
        server = Server(lacks, plan.patient, boasts=True)
        with connected(server) as client, Ledger(path, now=occasions.now, owner="test") as ledger:
            ledger._db.execute("PRAGMA synchronous = OFF")  # pyright: ignore[reportPrivateUsage]
            tell(server, client, ledger, plan, lacks)


def tell(server: Server, client: Client, ledger: Ledger, plan: Plan, lacks: tuple[str, ...]) -> None:
    said = until_done(lambda: push_plan(client, ledger, plan), len(lacks))
    decision, check = occasions.acknowledged(ledger, plan)
    said += until_done(lambda: write_decision(client, ledger, plan, decision, check), len(lacks))
    assert len(said) == len(set(said)), lacks
    assert all("The next run goes without it" in sentence for sentence in said), said
    record = ledger.decision(decision.id)
    assert record is not None
    by_hand = {"CarePlan.update", "DocumentReference.create", "Observation.create"} <= set(lacks)
    assert record.state == "written", lacks
    assert by_hand == bool(server.held("Communication"))
    assert (ledger.course(plan.id).stage is not None, ledger.waiting(plan.id)) == (True, ())
    recorded = sum(len(server.held(kind)) for kind in RECORDS)
    assert recorded == (1 if "CarePlan.update" in lacks else 0), lacks
    if "CarePlan.update" not in lacks and {"Goal.update", "Goal.create"} & set(lacks):
        (care_plan,) = server.held("CarePlan")
        assert sum(decision.id in note["text"] for note in care_plan["note"]) == 1, lacks


@pytest.mark.usefixtures("trusted_structure")
@pytest.mark.parametrize("lacks", ["transaction", "Goal.update", "CarePlan.update", "Provenance.create"])
def test_the_next_forecast_names_the_rung_below(lacks: str, plan: Plan, ledger: Ledger) -> None:
    """A second person's plan goes the way that the first one's refusals have shown."""
    server = Server((lacks,), plan.patient, boasts=True)
    with connected(server) as client:
        until_done(lambda: push_plan(client, ledger, plan), 1)
        decision, check = occasions.acknowledged(ledger, plan)
        before = forecast(plan, decision, client, ledger)
        refusals = until_done(lambda: write_decision(client, ledger, plan, decision, check), 2)
        taken(server)
        assert forecast(plan, decision, client, ledger).steps != before.steps or not refusals
        other = occasions.somebody_else(plan)
        server.put({"resourceType": "Patient", "id": other.patient.partition("/")[2]})
        foretold = push_forecast(other, client, ledger)
        push_plan(client, ledger, other)
        assert taken(server) == steps(foretold)
        decision, check = occasions.acknowledged(ledger, other)
        foretold = forecast(other, decision, client, ledger)
        write_decision(client, ledger, other, decision, check)
        assert taken(server) == steps(foretold)


@pytest.mark.usefixtures("trusted_structure")
@pytest.mark.parametrize("status", [400, 403, 413, 422])
def test_a_transaction_refused_for_whatever_it_holds_goes_one_by_one_the_next_time(
    status: int, plan: Plan, ledger: Ledger
) -> None:
    server = Server((), plan.patient)
    takes_all = server.handler
    server.handler = lambda asked: Answer(status) if whole(asked) else takes_all(asked)
    with connected(server) as client:
        with pytest.raises(ServerRefused, match="The next run writes the same one after another"):
            push_plan(client, ledger, plan)
        assert server.held("Goal") == []
        taken(server)
        foretold = push_forecast(plan, client, ledger)
        receipt = push_plan(client, ledger, plan)
        assert "the server refused this as one transaction before: now it goes one after another" in receipt.says
        assert taken(server) == steps(foretold)
        # It says nothing of the server: the next occasion is tried as one again.
        assert ledger.facts(client.endpoint.base, "observed") == {}
        decision, check = occasions.acknowledged(ledger, plan)
        with pytest.raises(ServerRefused, match="one after another"):
            write_decision(client, ledger, plan, decision, check)
        assert settle(client, ledger, plan.id).changed
        assert (ledger.waiting(plan.id), len(server.held("Provenance"))) == ((), 1)


def whole(asked: Asked) -> bool:
    return asked.path == () and asked.method == "POST"


@pytest.mark.usefixtures("trusted_structure")
def test_a_condition_that_is_not_implemented_is_told_from_a_create_that_is_not(plan: Plan, ledger: Ledger) -> None:
    server = Server(("transaction",), plan.patient)
    takes_all = server.handler
    server.handler = lambda asked: Answer(501) if asked.header("if-none-exist") else takes_all(asked)
    with connected(server) as client:
        with pytest.raises(ServerRefused, match="no conditional-create here"):
            push_plan(client, ledger, plan)
        push_plan(client, ledger, plan)
        assert len(server.held("CarePlan")) == 1


@pytest.mark.usefixtures("trusted_structure")
def test_a_plan_that_can_no_longer_be_kept_up_to_date_is_said_to_be_stale(plan: Plan, ledger: Ledger) -> None:
    server = Server(("transaction", "CarePlan.update"), plan.patient, boasts=True)
    with connected(server) as client:
        until_done(lambda: push_plan(client, ledger, plan), 1)
        decision, check = occasions.acknowledged(ledger, plan)
        with pytest.raises(ServerRefused, match=r"no CarePlan\.update here"):
            write_decision(client, ledger, plan, decision, check)
        says = write_decision(client, ledger, plan, decision, check).says
    assert any("it stands as it was, and no longer says what is so" in sentence for sentence in says)
