"""Small plans and checks, made in code, for tests that are about something else."""

from datetime import UTC, date, datetime

from careplan_bridge.model.case import Confirmed, Person, Surgery
from careplan_bridge.model.cautions import CAUTIONS
from careplan_bridge.model.check import CriteriaCheck, Outcome, StageShown
from careplan_bridge.model.conventions import Clinic
from careplan_bridge.model.course import Course
from careplan_bridge.model.plan import Plan, ProtocolRef
from careplan_bridge.model.protocol import DISCHARGE, Stage, Window

CLINIC = Clinic(
    base="https://example.org/alder-quay",
    name="Alder Quay Rehabilitation",
    contact="Front desk (made-up): 555 0100",
    timezone="Europe/Berlin",
)
SURGERY = Surgery(id="acl", procedure="ACL reconstruction", on=date(2026, 3, 2), side="left")
THERAPIST = Person(id="t1", name="Robin Vale", role="therapist")
SURGEON = Person(id="s1", name="Sam Marsh", role="surgeon")
PROTOCOL = ProtocolRef(
    id="acl-reconstruction",
    version="1.0.0",
    url="https://example.org/alder-quay/protocol/acl-reconstruction",
    title="ACL reconstruction",
    notice="made-up criteria, not for care",
    digest="0" * 64,
)
STAGES = (
    Stage(
        id="settle", title="Settle the knee", window=Window(before_day=28, earliest_advance=14), goals=("Calm knee",)
    ),
    Stage(id=DISCHARGE, title="Discharge", window=Window(from_day=28)),
)


def a_plan(plan_id: str = "7d1b2c0e-0000-4000-8000-000000000001", *, course: Course | None = None) -> Plan:
    return Plan(
        id=plan_id,
        revision=1,
        case="quay-1",
        patient="Patient/example-1",
        protocol=PROTOCOL,
        clinic=CLINIC,
        side="left",
        surgery="acl",
        surgeries=(SURGERY,),
        people=(THERAPIST, SURGEON),
        orders=(),
        orders_confirmed=Confirmed(by="s1", on=date(2026, 3, 3)),
        own_goals=(),
        signatures={"advance": ("therapist",), "discharge": ("therapist", "surgeon")},
        red_flags=(),
        stages=STAGES,
        facts={},
        catalogue_digest="",
        conventions_digest="",
        case_digest="",
        course=course or Course(),
    )


def a_check(
    plan: Plan, *, outcome: Outcome = Outcome.NOT_YET, complete: bool = True, digest: str = "d" * 64
) -> CriteriaCheck:
    stage, following = plan.current, plan.after(plan.current.id)
    return CriteriaCheck(
        cautions=CAUTIONS,
        plan=plan.id,
        revision=plan.revision,
        case=plan.case,
        protocol=plan.protocol,
        clinic=plan.clinic,
        stage=stage.id,
        next_stage=following.id if following else None,
        at=datetime(2026, 3, 20, 17, tzinfo=UTC),
        day=18,
        outcome=outcome,
        attention=(),
        complete=complete,
        next_change_at=None,
        criteria=(),
        restrictions=(),
        precautions=(),
        red_flags=(),
        unusable=(),
        signatures_needed=(),
        stages=(_shown(stage),),
        exercises=(),
        side=plan.side,
        surgeries=plan.surgeries,
        orders=(),
        orders_confirmed=plan.orders_confirmed,
        own_goals=(),
        digest=digest,
    )


def _shown(stage: Stage) -> StageShown:
    return StageShown(
        id=stage.id,
        title=stage.title,
        state="current",
        goals=stage.goals,
        from_day=0,
        before_day=28,
        earliest_advance=14,
        from_date=date(2026, 3, 2),
        before_date=date(2026, 3, 30),
        earliest_date=date(2026, 3, 16),
    )
