"""A criteria check: all verdicts of a stage at a moment, and what follows. Pure: the same values give the same check anywhere."""

from collections.abc import Iterator
from datetime import date, datetime

from careplan_bridge.criteria.binding import bind
from careplan_bridge.criteria.calendar import Calendar
from careplan_bridge.criteria.deciding import roles
from careplan_bridge.criteria.next_change import next_change
from careplan_bridge.criteria.record import evidence
from careplan_bridge.criteria.survey import survey
from careplan_bridge.model.cautions import CAUTIONS
from careplan_bridge.model.check import CriteriaCheck, SignatureNeeded, StageShown
from careplan_bridge.model.decision import Kind
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.protocol import DISCHARGE, Stage
from careplan_bridge.model.reading import Readings


def check(plan: Plan, readings: Readings, at: datetime, *, complete: bool) -> CriteriaCheck:
    """Judge the plan's current stage on what was read of the record, at `at` (aware).

    `complete` says whether everything was retrieved; where it was not, latest values and counts cannot be told (I4).
    """
    seen = evidence(plan, readings)
    record = seen.until(at, complete=complete)
    judged = survey(record)
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
        at=at,
        day=record.day,
        outcome=judged.outcome,
        attention=judged.attention,
        complete=complete,
        next_change_at=next_change(seen, record, judged),
        criteria=judged.criteria,
        restrictions=judged.restrictions,
        precautions=judged.precautions,
        red_flags=judged.red_flags,
        unusable=judged.unusable,
        signatures_needed=tuple(_signatures(plan)),
        stages=tuple(_stages(plan, record.calendar)),
        exercises=stage.exercises,
        side=plan.side,
        surgeries=plan.surgeries,
        orders=plan.orders,
        orders_confirmed=plan.orders_confirmed,
        own_goals=plan.own_goals,
        missing=judged.missing,
        digest=bind(plan, judged, complete=complete),
    )


def _signatures(plan: Plan) -> Iterator[SignatureNeeded]:
    """For each decision that this stage could lead to, the roles that sign it and who holds them."""
    onward: Kind = "discharge" if plan.current.id == DISCHARGE else "advance"
    kinds: tuple[Kind, ...] = (onward, "remain")
    for kind in kinds:
        for role in roles(plan, kind):
            people = tuple(f"{person.name} ({person.id})" for person in plan.people if person.role == role)
            yield SignatureNeeded(decision=kind, role=role, people=people)


def _stages(plan: Plan, calendar: Calendar) -> Iterator[StageShown]:
    state = "done"
    for stage in plan.stages:
        current = stage.id == plan.current.id
        yield _stage(stage, "current" if current else state, calendar)
        state = "ahead" if current else state


def _stage(stage: Stage, state: str, calendar: Calendar) -> StageShown:
    window = stage.window
    return StageShown(
        id=stage.id,
        title=stage.title,
        state=state,
        goals=stage.goals,
        from_day=window.from_day,
        before_day=window.before_day,
        earliest_advance=window.earliest_advance,
        from_date=calendar.date(window.from_day),
        before_date=_date(window.before_day, calendar),
        earliest_date=_date(window.earliest_advance, calendar),
    )


def _date(day: int | None, calendar: Calendar) -> date | None:
    return None if day is None else calendar.date(day)
