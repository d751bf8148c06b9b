"""What was forecast is what happens: over every combination of what a server may lack."""

from collections import Counter
from collections.abc import Iterator
from itertools import combinations, product
from pathlib import Path
from typing import NamedTuple

import pytest
from msgspec.structs import replace

from careplan_bridge.endpoint.http import Client
from careplan_bridge.errors import ServerRefused
from careplan_bridge.fhir import conformity
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.protocol import Stage
from careplan_bridge.model.route import Forecast
from careplan_bridge.writeback.decision import write_decision
from careplan_bridge.writeback.forecast import forecast, push_forecast
from careplan_bridge.writeback.push import push_plan
from tests.faults.in_process import Server, connected
from tests.writeback import occasions

OPTIONAL = ("transaction", "conditional-create", "client-id", "identifier", "Provenance.create")
GOALS: tuple[tuple[str, ...], ...] = ((), ("Goal.update",), ("Goal.create", "Goal.update"))
VERSIONS: tuple[tuple[tuple[str, ...], bool], ...] = (((), False), (("version",), False), (("version",), True))
NO_PLAN: tuple[tuple[str, ...], ...] = (("CarePlan.create", "CarePlan.update"), ("CarePlan.update",))
RECORDS = ("DocumentReference.create", "Observation.create", "Communication.create")
MAKING = ("conditional-create", "client-id", "identifier")


class Combination(NamedTuple):
    lacks: tuple[str, ...]
    allow_unguarded: bool = False

    def __str__(self) -> str:
        return "+".join((*self.lacks, *(["allowed"] if self.allow_unguarded else []))) or "everything"


def with_plans() -> Iterator[Combination]:
    """Everything that matters where CarePlans can be written: what records a decision otherwise does not."""
    for goals, (versions, allowed), rest in product(GOALS, VERSIONS, subsets(OPTIONAL)):
        yield Combination((*goals, *versions, *rest), allowed)


def without_plans() -> Iterator[Combination]:
    """Everything that matters where they can't: no update is ever made, and no transaction."""
    for plan, rest in product(NO_PLAN, subsets((*RECORDS, *MAKING))):
        yield Combination((*plan, *rest))


def subsets(words: tuple[str, ...]) -> list[tuple[str, ...]]:
    return [chosen for size in range(len(words) + 1) for chosen in combinations(words, size)]


LATTICE = (*with_plans(), *without_plans())


def test_the_lattice_is_counted() -> None:
    assert (len(list(with_plans())), len(list(without_plans()))) == (288, 128)
    assert len(set(LATTICE)) == 416


@pytest.fixture(scope="module")
def plan() -> Plan:
    """Two criteria a stage are enough to tell one from many, and two stages to advance."""
    whole = occasions.an_acl_plan()
    return replace(whole, stages=tuple(map(small, whole.stages[:2])))


def small(stage: Stage) -> Stage:
    return replace(stage, criteria=stage.criteria[:2], restrictions=(), precautions=(), exercises=())


@pytest.fixture
def trusted_structure(monkeypatch: pytest.MonkeyPatch) -> None:
    """That our resources are valid is shown elsewhere, resource by resource; here it would be shown ten thousand times."""
    monkeypatch.setattr(conformity, "_check_structure", repr)


@pytest.mark.usefixtures("trusted_structure")
@pytest.mark.parametrize("part", range(8))
def test_what_was_forecast_is_what_happens(part: int, plan: Plan, tmp_path: Path) -> None:
    for number, combination in enumerate(LATTICE[part::8]):
        tell(combination, plan, tmp_path / f"{number}.sqlite")


def tell(combination: Combination, plan: Plan, path: Path) -> None:
    server = Server(combination.lacks, plan.patient)
    with (
        connected(server, allow_unguarded=combination.allow_unguarded) as client,
        Ledger(path, now=occasions.now, owner="test") as ledger,
    ):
        # Nothing is pulled out here: a disk that is waited for says nothing about the ladder.
        ledger._db.execute("PRAGMA synchronous = OFF")  # pyright: ignore[reportPrivateUsage]
        foretold = push_forecast(plan, client, ledger)
        push_plan(client, ledger, plan)
        assert taken(server) == steps(foretold), f"push without {combination}"
        decision, check = occasions.acknowledged(ledger, plan)
        foretold = forecast(plan, decision, client, ledger)
        try:
            write_decision(client, ledger, plan, decision, check)
            record = ledger.decision(decision.id)
            ends = record.state if record else ""
        except ServerRefused:
            ends = "refused"
        assert (ends, taken(server)) == (foretold.ends, steps(foretold)), f"decision without {combination}"
        again(server, client, ledger, plan, ends)


def again(server: Server, client: Client, ledger: Ledger, plan: Plan, ends: str) -> None:
    """Nothing is doubled by a repetition, whatever the server lacks."""
    before = {
        kind: server.held(kind) for kind in ("CarePlan", "Goal", "DocumentReference", "Observation", "Communication")
    }
    push_plan(client, ledger, replace(plan, course=ledger.course(plan.id)))
    assert before == {kind: server.held(kind) for kind in before}
    assert (ends == "written") == (ledger.course(plan.id).stage is not None)


def steps(foretold: Forecast) -> Counter[tuple[str, str, str]]:
    return Counter({(step.method, step.what, step.guard): step.count for step in foretold.steps})


def taken(server: Server) -> Counter[tuple[str, str, str]]:
    sent, server.sent = server.sent, Counter()
    return sent
