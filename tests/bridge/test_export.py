"""An export of many people, judged in one pass, says what judging each of them says."""

import random
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

import msgspec
import pytest
from msgspec.structs import replace

from careplan_bridge import bridge
from careplan_bridge.errors import FileRefused, WrongUse
from careplan_bridge.model.check import Verdict
from careplan_bridge.model.course import Course, StageEntered
from careplan_bridge.model.plan import Plan
from tests.bridge.clinic import SITE, plan_of
from tests.flow.workplace import observations

OUTCOMES = ("awaiting-decision", "not-yet", "information-missing")
EXPECTED = observations("acl-reconstruction", "awaiting-decision")[1]
AT = datetime.fromisoformat(EXPECTED["at"])
PEOPLE = 24
PLAN = plan_of("acl-reconstruction", EXPECTED["case"])
ENTERED = datetime(2026, 3, 1, tzinfo=UTC)


def plan_for(reference: str) -> Plan | None:
    """Everybody has the plan in one of its stages; every seventh person has none."""
    number = int(reference.rpartition("/")[2])
    if number % 7 == 6:
        return None
    stage = PLAN.stages[number % len(PLAN.stages)].id
    entered = StageEntered(at=ENTERED, stage=stage, decision="made-up")
    return replace(PLAN, id=f"plan-{number}", patient=reference, course=Course(events=(entered,)))


def entries(number: int) -> list[dict[str, Any]]:
    """Two thirds of the shipped records, with something withdrawn, given in words, corrected and sent twice."""
    chance = random.Random(number)
    about = {"reference": f"Patient/{number}"}
    found = [
        {**one, "id": f"{outcome}-{place}-{number}", "subject": about}
        for outcome in OUTCOMES
        for place, one in enumerate(observations("acl-reconstruction", outcome)[0])
    ]
    kept = chance.sample(found, len(found) * 2 // 3)
    void, said, corrected = chance.sample(kept, 3)
    void["status"] = "entered-in-error"
    said.pop("valueQuantity", None)
    said["valueString"] = "100 deg"
    newer = {**corrected, "status": "corrected", "meta": {"versionId": "9", "lastUpdated": "2026-06-01T00:00:00Z"}}
    return [*kept, newer, *kept[:1]]


def mixed(folder: Path) -> Path:
    path = folder / "mixed.ndjson"
    lines = [msgspec.json.encode(one) + b"\n" for number in range(PEOPLE) for one in entries(number)]
    random.Random(5).shuffle(lines)
    path.write_bytes(b"".join(lines))
    return path


@pytest.fixture
def grouped(tmp_path: Path) -> Path:
    path = tmp_path / "grouped.ndjson"
    bridge.group_by_person([str(mixed(tmp_path))], path)
    return path


def test_each_verdict_is_that_of_the_full_check(grouped: Path):
    found = {one.plan: one for one in bridge.verdicts_of_export(grouped, plan_for, SITE, AT)}
    expected: dict[str, dict[str, Verdict]] = {}
    for number in range(PEOPLE):
        plan = plan_for(f"Patient/{number}")
        if plan is not None:
            check = bridge.criteria(plan, entries(number), SITE, AT)
            expected[plan.id] = {result.id: result.verdict for result in check.criteria}
    assert {name: one.verdicts for name, one in found.items()} == expected
    assert len({verdict for one in expected.values() for verdict in one.values()}) == 3


def test_several_processes_say_what_one_says(grouped: Path):
    alone, together = (
        list(bridge.verdicts_of_export(grouped, partial(plan_for), SITE, AT, processes=count)) for count in (1, 2)
    )
    assert together == alone


def test_grouping_keeps_every_entry_and_each_persons_order(tmp_path: Path):
    path = mixed(tmp_path)
    bridge.group_by_person([str(path)], tmp_path / "grouped")
    lines = (tmp_path / "grouped").read_bytes().splitlines()
    assert sorted(lines) == sorted(path.read_bytes().splitlines())
    assert (tmp_path / "grouped").stat().st_mode & 0o077 == 0


def test_a_bundle_is_taken_apart(tmp_path: Path):
    bundle = {"resourceType": "Bundle", "entry": [{"resource": one} for one in entries(1)]}
    (tmp_path / "bundle.json").write_bytes(msgspec.json.format(msgspec.json.encode(bundle)))
    bridge.group_by_person([str(tmp_path / "bundle.json")], tmp_path / "grouped")
    lines = (tmp_path / "grouped").read_bytes().splitlines()
    assert [msgspec.json.decode(line) for line in lines] == entries(1)


def test_one_persons_entries_apart_from_each_other_are_never_judged_apart(tmp_path: Path):
    path = tmp_path / "apart.ndjson"
    path.write_bytes(b"\n".join(msgspec.json.encode(entries(number)[0]) for number in (1, 2, 1)))
    with pytest.raises(WrongUse, match="group them"):
        list(bridge.verdicts_of_export(path, plan_for, SITE, AT))


def test_a_broken_line_is_named(tmp_path: Path):
    path = tmp_path / "broken.ndjson"
    path.write_bytes(msgspec.json.encode(entries(1)[0]) + b"\n{\n")
    with pytest.raises(FileRefused, match=r"broken\.ndjson:2"):
        list(bridge.verdicts_of_export(path, plan_for, SITE, AT))
