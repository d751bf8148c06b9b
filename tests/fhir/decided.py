"""Decisions on a plan, and results of a check, made in code."""

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

from careplan_bridge.fhir.elements import Resource
from careplan_bridge.fhir.plan_resources import care_plan, goals
from careplan_bridge.model.check import CriterionResult, UsedReading, Verdict
from careplan_bridge.model.decision import Decision, Kind, Signature
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.reading import Recorded, Source
from careplan_bridge.model.value import Amount, Moment

# 23:30 in UTC is the next day in Berlin, where the clinic is.
SIGNED = datetime(2026, 3, 30, 23, 30, tzinfo=UTC)
SIGNED_DAY = "2026-03-31"
READ = datetime(2026, 3, 28, 9, tzinfo=UTC)


def decision(plan: Plan, kind: Kind, stage: str | None = None, evidence: Sequence[str] = ()) -> Decision:
    """Signed by the person of each role needed, an hour apart; the last one at SIGNED."""
    left = stage or plan.stages[0].id
    following = plan.after(left)
    roles = plan.signatures.get(kind, ("therapist",))
    return Decision(
        id="0f7c0000-0000-4000-8000-000000000001",
        plan=plan.id,
        revision=plan.revision,
        kind=kind,
        stage=left,
        to_stage=following.id if kind == "advance" and following else None,
        digest="c" * 64,
        outcome="awaiting-decision",
        reason="All criteria met on two visits",
        decided_at=SIGNED - timedelta(hours=5),
        roles=roles,
        evidence=tuple(evidence),
        signatures=tuple(
            Signature(person=_holder(plan, role), role=role, at=SIGNED - timedelta(hours=place), digest="c" * 64)
            for place, role in enumerate(roles)
        ),
    )


def result(
    verdict: Verdict = Verdict.MET, *sources: Source, trend: str | None = None, name: str = "flexion"
) -> CriterionResult:
    """`sources` are those of readings used; one more reading is history only."""
    readings = [_reading(source, used=True) for source in sources]
    history = _reading(Source("Observation/history", "9"), used=False)
    return CriterionResult(
        id=name,
        says="Bends far enough",
        verdict=verdict,
        reason="",
        arithmetic="",
        readings=(*readings, history),
        trend=trend,  # pyright: ignore[reportArgumentType]
    )


def stored_plan(plan: Plan) -> Resource:
    """The CarePlan as a server would hold it, its Goals under their references."""
    references = {one.id: f"Goal/{one.id}" for one in plan.current.criteria}
    return {"resourceType": "CarePlan", "id": "plan-1", "meta": {"versionId": "1"}, **care_plan(plan, goals=references)}


def stored_goals(plan: Plan, stage: str | None = None) -> list[Resource]:
    made = goals(plan, stage or plan.current.id)
    return [
        {"resourceType": "Goal", "id": f"goal-{place}", "meta": {"versionId": "1"}, **one}
        for place, one in enumerate(made)
    ]


def _holder(plan: Plan, role: str) -> str:
    return next(person.id for person in plan.people if person.role == role)


def _reading(source: Source, *, used: bool) -> UsedReading:
    number = Decimal(112)
    return UsedReading(
        source=source,
        measure="knee_flexion",
        side="left",
        qualifiers={"movement": "active"},
        value=Amount(number, number, "deg"),
        recorded=Recorded(value=number, unit="deg"),
        at=Moment(READ, READ),
        day=date(2026, 3, 28),
        shown="112 deg",
        used=used,
    )
