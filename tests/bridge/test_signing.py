"""Two signatures on one check, on a real server: what comes between them, and what never gets signed."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from careplan_bridge import bridge
from careplan_bridge.cli.main import run
from careplan_bridge.errors import BridgeError, DecisionRefused
from careplan_bridge.model.check import Outcome
from careplan_bridge.model.decision import Decision
from careplan_bridge.model.plan import Plan
from careplan_bridge.sandbox.exchange import Answer, Asked, Handler
from careplan_bridge.sandbox.server import Sandbox
from tests.bridge.clinic import endpoint, held, link, plan_of, record, with_two_signatures
from tests.flow.workplace import Workplace, observations, patient

PROTOCOL = "acl-reconstruction"
THERAPIST, SURGEON = "t-lindqvist", "s-oyelaran"


@dataclass
class Visit:
    """A stage whose criteria are met, and whose end therapist and surgeon sign."""

    site: bridge.Link
    base: str
    plan: Plan
    at: datetime
    measured: list[dict[str, Any]]

    def decided(self) -> Decision:
        check = self.site.check(self.site.plan(self.plan.id), self.at)
        assert check.outcome is Outcome.AWAITING_DECISION
        return self.site.decide(check, "advance", "all met", self.at)

    def status(self) -> str:
        (care_plan,) = held(self.base, "CarePlan", subject=self.plan.patient)
        return care_plan["status"]


@pytest.fixture
def sandbox() -> Iterator[Sandbox]:
    with Sandbox() as sandbox:
        yield sandbox


@pytest.fixture
def visit(sandbox: Sandbox, tmp_path: Path) -> Iterator[Visit]:
    measured, expected = observations(PROTOCOL, "awaiting-decision")
    plan = with_two_signatures(plan_of(PROTOCOL, expected["case"]))
    with link(tmp_path, endpoint(sandbox.base)) as site:
        record(sandbox.base, [patient(plan.patient), patient("Patient/somebody-else")])
        site.push_plan(plan)
        record(sandbox.base, measured)
        yield Visit(site, sandbox.base, plan, datetime.fromisoformat(expected["at"]), measured)


@pytest.mark.parametrize("signers", [(THERAPIST, SURGEON), (SURGEON, THERAPIST)])
def test_the_last_signature_writes_in_either_order(visit: Visit, signers: tuple[str, str]) -> None:
    decision = visit.decided()
    assert visit.site.sign(decision.id, signers[0], visit.at).receipt is None
    assert visit.status() == "draft"
    assert visit.site.sign(decision.id, signers[1], visit.at).receipt is not None
    assert visit.status() == "active"
    assert visit.site.plan(visit.plan.id).current.id == "load"
    again = visit.site.sign(decision.id, signers[1], visit.at)
    assert again.receipt is None
    assert len(held(visit.base, "Provenance")) == 1


def changed_flexion(visit: Visit) -> dict[str, Any]:
    one = next(one for one in visit.measured if "flexion-2" in one["id"])
    return {**one, "id": "measured-between", "effectiveDateTime": visit.at.isoformat()}


def withdrawn(visit: Visit) -> dict[str, Any]:
    one = next(one for one in visit.measured if "flexion-2" in one["id"])
    return {**one, "status": "entered-in-error"}


@pytest.mark.parametrize("between", [changed_flexion, withdrawn])
def test_what_comes_between_voids_the_first_signature(visit: Visit, between: Any) -> None:
    decision = visit.decided()
    visit.site.sign(decision.id, THERAPIST, visit.at)
    record(visit.base, [between(visit)])
    with pytest.raises(DecisionRefused, match="decide again"):
        visit.site.sign(decision.id, SURGEON, visit.at)
    with pytest.raises(DecisionRefused, match="void"):
        visit.site.sign(decision.id, SURGEON, visit.at)
    assert visit.status() == "draft"
    assert held(visit.base, "Provenance") == []


def test_at_the_keyboard_it_is_refused_with_what_to_do(
    sandbox: Sandbox, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = Workplace.set_up(tmp_path, sandbox.base)
    measured, expected = observations(PROTOCOL, "awaiting-decision")
    at = datetime.fromisoformat(expected["at"])
    plan = with_two_signatures(plan_of(PROTOCOL, expected["case"]))
    record(sandbox.base, [patient(plan.patient)])
    with link(tmp_path, endpoint(sandbox.base)) as site:
        site.push_plan(plan)
        record(sandbox.base, measured)
        decision = site.decide(site.check(plan, at), "advance", "all met", at)
        site.sign(decision.id, THERAPIST, at)
    one = next(one for one in measured if "flexion-2" in one["id"])
    record(sandbox.base, [{**one, "id": "measured-between", "effectiveDateTime": at.isoformat()}])
    words = ["--person", SURGEON, "--at", expected["at"], "--ledger", str(tmp_path / "ledger.sqlite")]
    for name in ("endpoint", "conventions"):
        words += [f"--{name}", str(files.folder / f"{name}.toml")]
    for says in (
        "is void with the signatures it had. Make a new check, look at it, and decide again",
        "This decision is void",
    ):
        assert run(["sign", decision.id, *words]) == 1
        assert says in capsys.readouterr().err
    assert held(sandbox.base, "Provenance") == []


def test_a_decision_is_foretold_on_its_own_revision(visit: Visit) -> None:
    decision = visit.decided()
    foretold = visit.site.forecast(decision)
    first, *others = visit.plan.stages
    more = replace(first, criteria=(*first.criteria, replace(first.criteria[0], id="later-thought")))
    visit.site.ledger.add_plan(replace(visit.site.plan(visit.plan.id), revision=2, stages=(more, *others)))
    assert visit.site.forecast(decision) == foretold


def test_somebody_elses_measurement_voids_nothing(visit: Visit) -> None:
    decision = visit.decided()
    visit.site.sign(decision.id, THERAPIST, visit.at)
    other = {**changed_flexion(visit), "subject": {"reference": "Patient/somebody-else"}}
    record(visit.base, [other])
    assert visit.site.sign(decision.id, SURGEON, visit.at).receipt is not None


def test_an_edited_check_with_a_copied_digest_is_never_signed(visit: Visit) -> None:
    record(visit.base, [{**one, "status": "entered-in-error"} for one in visit.measured if "effusion" in one["id"]])
    check = visit.site.check(visit.plan, visit.at)
    assert check.outcome is not Outcome.AWAITING_DECISION
    edited = visit.site.decide(replace(check, outcome=Outcome.AWAITING_DECISION), "advance", "edited", visit.at)
    with pytest.raises(DecisionRefused, match=check.outcome.value):
        visit.site.sign(edited.id, THERAPIST, visit.at)
    assert visit.status() == "draft"


def test_deciding_twice_is_one_decision(visit: Visit) -> None:
    assert visit.decided().id == visit.decided().id


def test_what_was_signed_is_written_on_the_revision_it_was_decided_on(visit: Visit, sandbox: Sandbox) -> None:
    decision = visit.decided()
    visit.site.sign(decision.id, THERAPIST, visit.at)
    sandbox.misbehaviours.append(takes_no_writes)
    with pytest.raises(BridgeError):
        visit.site.sign(decision.id, SURGEON, visit.at)
    sandbox.misbehaviours.clear()
    first, *others = visit.plan.stages
    more = replace(first, criteria=(*first.criteria, replace(first.criteria[0], id="later-thought")))
    visit.site.ledger.add_plan(replace(visit.site.plan(visit.plan.id), revision=2, stages=(more, *others)))
    assert visit.site.sign(decision.id, SURGEON, visit.at).receipt is not None
    assert visit.status() == "active"


def test_nothing_is_decided_or_signed_while_what_was_signed_before_is_not_in_the_record(
    visit: Visit, sandbox: Sandbox
) -> None:
    """Written later, the advance would undo that they remained."""
    decision, check = visit.decided(), visit.site.check(visit.plan, visit.at)
    remain = visit.site.decide(check, "remain", "not today", visit.at)
    visit.site.sign(decision.id, THERAPIST, visit.at)
    sandbox.misbehaviours.append(takes_no_writes)
    with pytest.raises(BridgeError):
        visit.site.sign(decision.id, SURGEON, visit.at)
    sandbox.misbehaviours.clear()
    with pytest.raises(DecisionRefused, match="finish it first"):
        visit.site.sign(remain.id, THERAPIST, visit.at)
    with pytest.raises(DecisionRefused, match="finish it first"):
        visit.site.decide(check, "remain", "not today", visit.at)
    list(visit.site.sync(visit.at)[1])
    with pytest.raises(DecisionRefused, match="decide again"):
        visit.site.sign(remain.id, THERAPIST, visit.at)
    assert visit.site.plan(visit.plan.id).current.id == "load"


def test_a_new_revision_between_two_signatures_voids_the_first(visit: Visit) -> None:
    decision = visit.decided()
    visit.site.sign(decision.id, THERAPIST, visit.at)
    visit.site.ledger.add_plan(replace(visit.site.plan(visit.plan.id), revision=2))
    with pytest.raises(DecisionRefused, match="decide again"):
        visit.site.sign(decision.id, SURGEON, visit.at)
    assert visit.status() == "draft"


def takes_no_writes(asked: Asked, handler: Handler) -> Answer:
    return handler(asked) if asked.method == "GET" else Answer(422)
