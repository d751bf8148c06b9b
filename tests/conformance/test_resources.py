"""What we make is valid R4, and valid US Core 9 where a site asks for it.

The definitions of the demo protocols and the drafts of the demo cases are snapshots, which test_every_resource judges. Here
stand what decisions make of them, US Core, and plans made up at random.
"""

from collections.abc import Iterator
from random import Random

import pytest

from careplan_bridge.fhir import raw
from careplan_bridge.fhir.bundles import transaction
from careplan_bridge.fhir.elements import Resource
from careplan_bridge.fhir.plan_resources import care_plan, goals
from careplan_bridge.fhir.progress import UNSIGNED, care_plan_after, goal_after, goal_unsigned, re_open
from careplan_bridge.fhir.provenance import provenance
from careplan_bridge.model.check import Verdict
from careplan_bridge.model.decision import Decision, Kind
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.reading import Source
from tests.conformance.judgement import Judge
from tests.fhir import demo
from tests.fhir.decided import SIGNED, decision, result, stored_goals, stored_plan
from tests.fhir.generated import a_plan

US_CORE = "http://hl7.org/fhir/us/core/StructureDefinition/us-core-{}"
SEEN = Source("Observation/seen-1", "2")
EVIDENCE = ("Observation/seen-1/_history/2", f"Observation/seen-2#{'ab' * 32}")
PLANS, IN_ONE_TEST = 500, 50


@pytest.mark.parametrize("name", demo.CASES)
def test_what_decisions_make_of_a_plan(name: str, judge: Judge) -> None:
    for resource in _after_decisions(demo.plan(name)):
        judge(_text(resource))


@pytest.mark.parametrize("name", demo.CASES)
def test_plans_goals_and_provenance_are_us_core(name: str, us_core_judge: Judge) -> None:
    plan = demo.plan(name)
    made = [care_plan(plan, us_core=True)]
    made += [goal for stage in plan.stages for goal in goals(plan, stage.id, us_core=True)]
    made += _after_decisions(plan, us_core=True)
    for resource in made:
        us_core_judge(_text(resource), US_CORE.format(resource["resourceType"].lower()))


@pytest.mark.parametrize("first", range(0, PLANS, IN_ONE_TEST))
def test_made_up_plans(first: int, judge: Judge) -> None:
    for number in range(first, first + IN_ONE_TEST):
        plan = a_plan(Random(number), number)
        for entry in transaction(plan)["entry"]:
            _judge(judge, entry["resource"], number)
        kind: Kind = ("advance", "remain", "discharge")[number % 3]
        _judge(judge, care_plan_after(stored_plan(plan), plan, _decision(plan, kind), ["Goal/next"]), number)


def _judge(judge: Judge, resource: Resource, number: int) -> None:
    objections = judge.objections(_text(resource))
    assert not objections, f"plan {number}: {objections}"


def _after_decisions(plan: Plan, *, us_core: bool = False) -> Iterator[Resource]:
    category = {"category": care_plan(plan, us_core=True)["category"]} if us_core else {}
    kinds: tuple[Kind, ...] = ("advance", "remain", "discharge")
    for kind in kinds:
        made = _decision(plan, kind)
        yield {**care_plan_after(stored_plan(plan), plan, made, ["Goal/next"]), **category}
        yield provenance(plan, made, ["CarePlan/plan-1/_history/2", "Goal/goal-0/_history/2"], SIGNED)
        for goal in stored_goals(plan):
            yield from _states(goal, plan, kind)


def _states(goal: Resource, plan: Plan, kind: Kind) -> Iterator[Resource]:
    achieved = goal_after(goal, _decision(plan, kind), result(Verdict.MET, SEEN))
    yield achieved
    yield re_open(achieved, SIGNED.date())
    yield goal_unsigned(goal, result(Verdict.NOT_MET, SEEN, trend="worsening"), UNSIGNED, SIGNED.date())


def _decision(plan: Plan, kind: Kind) -> Decision:
    return decision(plan, kind, plan.stages[-1].id if kind == "discharge" else None, EVIDENCE)


def _text(resource: Resource) -> str:
    """As it would be sent, digit by digit."""
    return raw.encode(resource).decode()
