"""A whole occasion of writing, made of the shipped demo protocol and case: plan, check, signed decision, endpoint, client."""

import json
from collections.abc import Generator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any
from urllib.request import Request, urlopen

import pytest
from msgspec.structs import replace

from careplan_bridge.criteria.deciding import decide, sign
from careplan_bridge.endpoint import send
from careplan_bridge.endpoint.http import Client
from careplan_bridge.files import shipped
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.measures.conventions_file import read_conventions
from careplan_bridge.model.check import CriteriaCheck, CriterionResult, Outcome, Verdict
from careplan_bridge.model.decision import Decision, Kind
from careplan_bridge.model.endpoint import Endpoint
from careplan_bridge.model.plan import Plan
from careplan_bridge.planning.draft import draft
from careplan_bridge.protocol.case_file import read_case
from careplan_bridge.protocol.protocol_file import read_protocol
from tests.built import a_check

FIXTURES = Path(__file__).parents[2] / "fixtures"
MOMENT = datetime(2026, 3, 4, 11, 30, tzinfo=UTC)
Resource = dict[str, Any]


def now() -> datetime:
    return MOMENT


def an_acl_plan() -> Plan:
    catalogue = shipped.catalogue()
    protocol = read_protocol((FIXTURES / "protocols/acl-reconstruction.yaml").read_bytes(), "protocol", catalogue)
    case = read_case((FIXTURES / "cases/acl-quay-01.yaml").read_bytes(), "case")
    conventions = read_conventions((FIXTURES / "conventions.toml").read_bytes(), "conventions", catalogue)
    return draft(protocol, case, catalogue, conventions)


def somebody_else(plan: Plan) -> Plan:
    """The same protocol for another person."""
    return replace(plan, id=f"{plan.id[:-4]}beef", case="another", patient="Patient/somebody-else")


def everything_met(plan: Plan) -> CriteriaCheck:
    """A check of the current stage in which nothing is missing; its digest names the stage and what happened before."""
    results = tuple(
        CriterionResult(id=criterion.id, says=criterion.says, verdict=Verdict.MET, reason="met", arithmetic="made up")
        for criterion in plan.current.criteria
    )
    digest = f"{plan.id}-{plan.current.id}-{len(plan.course.events)}"
    return replace(a_check(plan, outcome=Outcome.AWAITING_DECISION, digest=digest), criteria=results)


def signed(plan: Plan, check: CriteriaCheck, kind: Kind) -> Decision:
    decision = decide(plan, check, kind, "all criteria met at two visits", MOMENT)
    for role in decision.roles:
        person = next(person.id for person in plan.people if person.role == role)
        decision = sign(plan, decision, check, person, MOMENT)
    return decision


def acknowledged(ledger: Ledger, plan: Plan, kind: Kind = "advance") -> tuple[Decision, CriteriaCheck]:
    """A fully signed decision on the current stage, in the ledger and not written yet."""
    check = everything_met(plan)
    decision = signed(plan, check, kind)
    ledger.keep_check(check)
    ledger.save_decision(decision)
    return decision, check


def endpoint(base: str, **changed: Any) -> Endpoint:
    return replace(Endpoint(name="rehearsal", base=base, environment="sandbox"), **changed)


@contextmanager
def connected(to: Endpoint) -> Generator[Client]:
    with Client(to, environ={}, wait=lambda _seconds: None, clock=now) as client:
        yield client


def open_ledger(path: Path) -> Ledger:
    return Ledger(path, now=now, owner="test")


def put_patient(base: str, plan: Plan) -> None:
    """The patient is the record's, not ours: a server has it before anything is pushed."""
    kind, identity = plan.patient.split("/")
    ask("PUT", f"{base}/{plan.patient}", {"resourceType": kind, "id": identity})


def ask(
    method: str, url: str, body: Mapping[str, Any] | None = None, headers: Mapping[str, str] | None = None
) -> Resource:
    """One request as another program would make it, apart from the client under test."""
    data = None if body is None else json.dumps(body).encode()
    sent = {"Content-Type": "application/fhir+json", "Cache-Control": "no-cache", **(headers or {})}
    with urlopen(Request(url, data=data, method=method, headers=sent), timeout=30) as answer:  # noqa: S310 - loopback
        return json.loads(answer.read() or b"{}")


def on_server(base: str, kind: str) -> list[Resource]:
    """Every resource of a type, in the order of their references."""
    found = ask("GET", f"{base}/{kind}?_count=500")
    resources = [entry["resource"] for entry in found.get("entry", [])]
    return sorted(resources, key=lambda resource: (len(resource["id"]), resource["id"]))


def edit_just_before_sending(monkeypatch: pytest.MonkeyPatch, base: str, change: dict[str, Any]) -> None:
    """Another program edits the CarePlan, once, between our reading it and our writing it."""
    edits = [change]

    def edited_first(original: Any, client: Client, resource: dict[str, Any], **guard: Any) -> send.Answer:
        if edits and '"CarePlan"' in json.dumps(resource, default=repr):
            (care_plan,) = on_server(base, "CarePlan")
            ask("PUT", f"{base}/CarePlan/{care_plan['id']}", {**care_plan, **edits.pop()})
        return original(client, resource, **guard)

    for name in ("update", "transaction"):
        monkeypatch.setattr(send, name, partial(edited_first, getattr(send, name)))
