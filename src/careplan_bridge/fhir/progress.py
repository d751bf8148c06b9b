"""What a signed decision changes in the resources of a plan: pure patches of what the server holds.

Only managed elements change: CarePlan.status and goal, each activity's status and goal; a Goal's lifecycleStatus,
achievementStatus, statusDate and outcomeReference. All else belongs to the record and stays as it came (I3). "achieved", and the
end of a stage, come with a signed decision only. Applying a decision twice gives what applying it once gives.
"""

from collections.abc import Collection, Iterable, Sequence
from copy import deepcopy
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from careplan_bridge.errors import OurFault
from careplan_bridge.fhir.activities import Activity, our_activities, the_activity
from careplan_bridge.fhir.elements import Element, Resource, concept, members
from careplan_bridge.fhir.evidence import target, unversioned, used
from careplan_bridge.model import fhir_names as names
from careplan_bridge.model.calendar import day_of
from careplan_bridge.model.check import CriterionResult, Verdict
from careplan_bridge.model.decision import Decision
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.protocol import Stage

OVER = ("completed", "cancelled", "stopped", "entered-in-error")
# What sync may write without a signature, where the endpoint file lets it through: never "achieved".
UNSIGNED = ("in-progress", "improving", "worsening", "no-change")


def care_plan_after(resource: Resource, plan: Plan, decision: Decision, next_goals: Sequence[str] = ()) -> Resource:
    """The CarePlan as the decision leaves it; `next_goals` are references to the Goals of the stage that an advance leads to.

    Raises WriteConflict where a stage's activity is not there exactly once.
    """
    after = deepcopy(resource)
    current = plan.stage(decision.stage)
    match decision.kind:
        case "advance":
            _advance(after, plan, decision, next_goals)
        case "remain":
            _begin(after, plan, current)
        case "discharge":
            _discharge(after, plan, decision)
    return after


def goal_after(
    resource: Resource,
    decision: Decision,
    result: CriterionResult,
    evidence: Sequence[str] | None = None,
    *,
    zone: str = "UTC",
    server: str | None = None,
) -> Resource:
    """The Goal of one criterion as the decision leaves it.

    Leaving a stage completes its Goals, and achieves those that are met; remaining makes them active. What can't be told changes
    no achievement. Outcomes are the Observations that the result used, as far as `evidence` (`Observation/1/_history/3`), if
    given, names them. `zone` is the clinic's: it says which day the decision was made on. `server`: see `evidence.used`.
    """
    after = deepcopy(resource)
    after["lifecycleStatus"] = "active" if decision.kind == "remain" else "completed"
    achievement = _achievement(result)
    if achievement is not None:
        _set_achievement(after, achievement, _day(signed_at(decision), zone))
        _add_outcomes(after, [key for key in _evidence(result) if evidence is None or key in evidence], server)
    return after


def goal_unsigned(resource: Resource, result: CriterionResult, allowed: Collection[str], on: date) -> Resource:
    """The Goal with what a check alone may say of it: one of UNSIGNED that the site lets through; otherwise as it was."""
    after = deepcopy(resource)
    achievement = _achievement(result)
    is_open = after.get("lifecycleStatus") in ("proposed", "planned", "accepted", "active")
    if achievement in UNSIGNED and achievement in allowed and is_open:
        _set_achievement(after, achievement, on)
    return after


def re_open(resource: Resource, on: date) -> Resource:
    """A Goal whose reading was withdrawn is sought again."""
    after = deepcopy(resource)
    after["lifecycleStatus"] = "active"
    _set_achievement(after, "in-progress", on)
    return after


def managed(resource: Resource) -> dict[str, Any]:
    """The elements that are ours to change, for comparing what we wrote last with what the server holds. References without
    versions, because servers strip them.
    """
    if resource["resourceType"] == "CarePlan":
        activities = our_activities(resource)
        return {
            "status": resource.get("status"),
            "goal": _targets(resource, "goal"),
            "activity": {activity.key: _managed_detail(activity) for activity in activities},
        }
    if resource["resourceType"] == "Goal":
        return {
            "lifecycleStatus": resource.get("lifecycleStatus"),
            "achievementStatus": _achievement_code(resource),
            "statusDate": resource.get("statusDate"),
            "outcomeReference": _targets(resource, "outcomeReference"),
        }
    raise OurFault(f"Nothing of a {resource['resourceType']} is managed; only CarePlan and Goal are patched.")


def signed_at(decision: Decision) -> datetime:
    """The instant of a decision: its last signature."""
    return max((signature.at for signature in decision.signatures), default=decision.decided_at)


def _advance(after: Resource, plan: Plan, decision: Decision, next_goals: Sequence[str]) -> None:
    left, entered = plan.stage(decision.stage), plan.stage(decision.to_stage or "")
    on = _day(signed_at(decision), plan.clinic.timezone)
    for earlier in plan.stages[: plan.stages.index(left)]:
        _end_limits(after, plan, earlier, on)
    _end(after, plan, left, on)
    _begin(after, plan, entered)
    stage = the_activity(after, plan.protocol.url + names.STAGE_CODE_SYSTEM, entered.id)
    for holder in (stage.detail, after):
        _add_references(holder, "goal", next_goals)


def _begin(after: Resource, plan: Plan, stage: Stage) -> None:
    after["status"] = "active"
    the_activity(after, plan.protocol.url + names.STAGE_CODE_SYSTEM, stage.id).detail["status"] = "in-progress"
    for activity in _limits(after, plan, stage):
        if activity.detail["status"] == "not-started":
            activity.detail["status"] = "in-progress"


def _end(after: Resource, plan: Plan, stage: Stage, on: date) -> None:
    the_activity(after, plan.protocol.url + names.STAGE_CODE_SYSTEM, stage.id).detail["status"] = "completed"
    _end_limits(after, plan, stage, on)


def _end_limits(after: Resource, plan: Plan, stage: Stage, on: date) -> None:
    """What has a date of its own outlives its stage, so it is looked at again with each later decision."""
    running = _still_running(stage, day_of(plan.day_zero, on))
    for activity in _limits(after, plan, stage):
        if activity.code not in running and activity.detail["status"] not in OVER:
            activity.detail["status"] = "completed"


def _discharge(after: Resource, plan: Plan, decision: Decision) -> None:
    on = _day(signed_at(decision), plan.clinic.timezone)
    after["status"] = "completed"
    for stage in plan.stages:
        activity = the_activity(after, plan.protocol.url + names.STAGE_CODE_SYSTEM, stage.id)
        if activity.detail["status"] not in OVER or stage.id == decision.stage:
            _end(after, plan, stage, on)
        else:
            _end_limits(after, plan, stage, on)


def _limits(resource: Resource, plan: Plan, stage: Stage) -> list[Activity]:
    """The restrictions and precautions of a stage, as far as the record still has them."""
    codes = {part.id for part in (*stage.restrictions, *stage.precautions)}
    systems = {
        plan.protocol.url + kind
        for kind in (names.RESTRICTION_CODE_SYSTEM, names.PRECAUTION_CODE_SYSTEM, names.ORDERED_PRECAUTION_SYSTEM)
    }
    return [one for one in our_activities(resource) if one.system in systems and one.code in codes]


def _still_running(stage: Stage, day: int) -> set[str]:
    """Restrictions and precautions with a date of their own go on after their stage is left."""
    parts = (*stage.restrictions, *stage.precautions)
    return {part.id for part in parts if part.before_day is not None and part.before_day > day}


def _achievement(result: CriterionResult) -> str | None:
    """The code for a verdict; None where it can't be told."""
    if result.verdict is Verdict.CANNOT_TELL:
        return None
    return "achieved" if result.verdict is Verdict.MET else result.trend or "in-progress"


def _set_achievement(after: Resource, code: str, on: date) -> None:
    """The date is that of the present status, so it moves only when the code does."""
    if _achievement_code(after) != code:
        after["achievementStatus"] = concept(names.GOAL_ACHIEVEMENT, code)
        after["statusDate"] = on.isoformat()


def _achievement_code(resource: Resource) -> str | None:
    codings = members(resource.get("achievementStatus") or {}, "coding")
    return next((one.get("code") for one in codings if one.get("system") == names.GOAL_ACHIEVEMENT), None)


def _evidence(result: CriterionResult) -> list[str]:
    return list(dict.fromkeys(reading.source.key for reading in result.readings if reading.used))


def _add_outcomes(after: Resource, evidence: Iterable[str], server: str | None) -> None:
    """Observations used, each once; one that is there in an older version is replaced. Their order means nothing: it stays as it is."""
    observed = (used(key, server=server) for key in evidence if key.startswith("Observation/"))
    wanted = {target(one): one for one in observed if one}
    there = [_newer(one, wanted.pop(target(one), one)) for one in members(after, "outcomeReference")]
    if there or wanted:
        after["outcomeReference"] = [*there, *wanted.values()]


def _newer(there: Element, wanted: Element) -> Element:
    """What is there, unless it names another version; a server may have added to it."""
    return there if there.get("extension") == wanted.get("extension") else wanted


def _add_references(holder: Element, name: str, references: Iterable[str]) -> None:
    there = members(holder, name)
    known = set(map(target, there))
    new = [{"reference": one} for one in dict.fromkeys(references) if unversioned(one) not in known]
    if new:
        holder[name] = [*there, *new]


def _targets(holder: Element, name: str) -> list[str]:
    return list(map(target, members(holder, name)))


def _managed_detail(activity: Activity) -> Element:
    return {"status": activity.detail.get("status"), "goal": _targets(activity.detail, "goal")}


def _day(moment: datetime, zone: str) -> date:
    return moment.astimezone(ZoneInfo(zone)).date()
