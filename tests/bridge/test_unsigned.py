"""What the nightly run writes without a signature, line by line of the endpoint file: each line lets through its own write and no other."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from careplan_bridge.model.plan import Plan
from careplan_bridge.model.run import PlanResult
from careplan_bridge.sandbox.server import Sandbox
from tests.bridge.clinic import endpoint, held, link, plan_of, record, settle_in
from tests.flow.workplace import observations, patient

AT = datetime(2026, 3, 20, 12, tzinfo=UTC)
LINES = ("in-progress", "improving", "worsening", "no-change", "re-open")
# Active flexion of the knee over two visits; the stage wants 80 degrees, and 25 lie beyond every published measurement error.
FLEXION = {"in-progress": (60,), "improving": (40, 65), "worsening": (65, 40), "no-change": (60, 60)}


@dataclass
class Night:
    folder: Path
    base: str
    plan: Plan
    at: datetime

    def sync(self, *lines: str) -> PlanResult:
        with link(self.folder, endpoint(self.base, unsigned=lines)) as site:
            (result,) = site.sync(self.at)[1]
        return result

    def goals(self) -> dict[str, tuple[str, str | None, str]]:
        """What each Goal says, by criterion: lifecycle, achievement, version."""
        return {
            goal["identifier"][0]["value"].partition("/")[2]: told(goal)
            for goal in held(self.base, "Goal", _count="99")
        }


@pytest.fixture
def base() -> Iterator[str]:
    with Sandbox() as sandbox:
        yield sandbox.base


@pytest.fixture
def night(base: str, tmp_path: Path) -> Night:
    plan = plan_of("acl-reconstruction", "acl-quay-01")
    record(base, [patient(plan.patient)])
    with link(tmp_path, endpoint(base)) as site:
        site.push_plan(plan)
    return Night(tmp_path, base, plan, AT)


@pytest.fixture
def after_an_advance(base: str, tmp_path: Path) -> Night:
    """The first stage was left on a signed decision, and the reading that one of its Goals stands on is then withdrawn."""
    with link(tmp_path, endpoint(base)) as site:
        plan, at = settle_in(site, base, "acl-reconstruction", "awaiting-decision")
        decision = site.decide(site.check(plan, at), "advance", "all met", at)
        site.sign(decision.id, "t-lindqvist", at)
    measured, _ = observations("acl-reconstruction", "awaiting-decision")
    record(base, [one | {"status": "entered-in-error"} for one in measured if "flexion-2" in one["id"]])
    return Night(tmp_path, base, plan, at)


@pytest.mark.parametrize("line", FLEXION)
def test_a_line_lets_its_own_write_through_and_no_other(night: Night, line: str) -> None:
    record(night.base, flexion(night.plan, *FLEXION[line]))
    before = night.goals()
    assert night.sync(line).status == "done"
    assert night.goals() == before | {"settle/flexion": ("planned", line, "2")}
    assert night.sync(line).status == "unchanged"


@pytest.mark.parametrize("line", FLEXION)
def test_without_its_line_nothing_is_written(night: Night, line: str) -> None:
    record(night.base, flexion(night.plan, *FLEXION[line]))
    before = night.goals()
    assert night.sync().status == "unchanged"
    assert night.sync(*(other for other in LINES if other != line)).status == "unchanged"
    assert night.goals() == before


def test_what_is_met_is_never_called_achieved_without_a_signature(night: Night) -> None:
    record(night.base, flexion(night.plan, 85))
    before = night.goals()
    assert night.sync(*LINES).status == "unchanged"
    assert night.goals() == before


def test_a_goal_whose_reading_was_withdrawn_is_sought_again_where_its_line_stands(after_an_advance: Night) -> None:
    before = after_an_advance.goals()
    assert before["settle/flexion"] == ("completed", "achieved", "2")
    assert after_an_advance.sync("re-open").status == "done"
    assert after_an_advance.goals() == before | {"settle/flexion": ("active", "in-progress", "3")}


def test_without_its_line_a_goal_whose_reading_was_withdrawn_is_only_told(after_an_advance: Night) -> None:
    result = after_an_advance.sync(*FLEXION)
    assert {
        name: goal for name, goal in after_an_advance.goals().items() if name.startswith("settle/")
    } == dict.fromkeys(
        (f"settle/{criterion.id}" for criterion in after_an_advance.plan.stages[0].criteria),
        ("completed", "achieved", "2"),
    )
    assert any("withdrawn" in mark for mark in result.attention)


def flexion(plan: Plan, *degrees: int) -> list[dict[str, Any]]:
    """One measurement a week, the last one two days ago."""
    days = range(2 + 7 * (len(degrees) - 1), 0, -7)
    return [
        {
            "resourceType": "Observation",
            "id": f"flexion-{number}",
            "status": "final",
            "code": {"coding": [{"system": "http://loinc.org", "code": "41343-5"}]},
            "subject": {"reference": plan.patient},
            "effectiveDateTime": (AT - timedelta(days=day)).isoformat(),
            "valueQuantity": {"value": value, "unit": "deg", "system": "http://unitsofmeasure.org", "code": "deg"},
        }
        for number, (day, value) in enumerate(zip(days, degrees, strict=True))
    ]


def told(goal: dict[str, Any]) -> tuple[str, str | None, str]:
    achievement = goal["achievementStatus"]["coding"][0]["code"] if "achievementStatus" in goal else None
    return goal["lifecycleStatus"], achievement, goal["meta"]["versionId"]
