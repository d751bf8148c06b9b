"""Each demo protocol from file to written decision, through the installed command, on the sandbox and on HAPI.

Both servers must end with the same CarePlan, Goals and Provenance, down to the last element: one expected document serves both.
"""

import re
from pathlib import Path
from typing import Any

import pytest

from careplan_bridge.sandbox.server import Sandbox
from tests.flow.workplace import FIXTURES, Resource, Workplace, observations, patient, plain
from tests.snapshots import assert_matches

PROTOCOLS = sorted(path.stem for path in (FIXTURES / "protocols").glob("*.yaml"))
EXPECTED = Path(__file__).parent / "snapshots"


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_on_the_sandbox(protocol: str, tmp_path: Path) -> None:
    with Sandbox() as sandbox:
        whole_flow(Workplace.set_up(tmp_path, sandbox.base), protocol)


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_without_transactions(protocol: str, tmp_path: Path) -> None:
    with Sandbox(transactions=False) as sandbox:
        whole_flow(Workplace.set_up(tmp_path, sandbox.base), protocol)


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_on_hapi(protocol: str, clean_hapi: str, tmp_path: Path) -> None:
    whole_flow(Workplace.set_up(tmp_path, clean_hapi), protocol)


def whole_flow(at_work: Workplace, protocol: str) -> None:
    measured, expected = observations(protocol, "awaiting-decision")
    files = (str(FIXTURES / "protocols" / f"{protocol}.yaml"), str(FIXTURES / "cases" / f"{expected['case']}.yaml"))
    site = at_work.site()
    at_work.run("check", *files, "conventions.toml", "endpoint.toml")
    at_work.run("convert", files[0], "--conventions", "conventions.toml", "--to", "definitions.json")
    at_work.run("draft", *files, "--conventions", "conventions.toml", "--to", "plan")
    plan = at_work.document("plan/plan.json")
    at_work.record([patient(plan["patient"])])
    pushed_once(at_work, files[0], plan)
    at_work.record(measured)
    when = ("--at", expected["at"])
    at_work.run("criteria", "plan/plan.json", *site, *when, "--to", "check.json")
    check = at_work.document("check.json")
    assert (check["outcome"], check["stage"]) == ("awaiting-decision", expected["stage"])
    at_work.run("review", "check.json", "--to", "check.html")
    at_work.run("decide", "check.json", "advance", "--reason", "All criteria met", *when, "--to", "decision.json")
    sign_by_all(at_work, when)
    held_as_expected(at_work, plan, protocol)
    nothing_left(at_work, plan, when)


def pushed_once(at_work: Workplace, protocol_file: str, plan: dict[str, Any]) -> None:
    """Two pushes of protocol and plan: the second one changes nothing, and says so."""
    for push in ((protocol_file, "--conventions", "conventions.toml"), ("plan/plan.json",)):
        first = at_work.run("push", *push, "--endpoint", "endpoint.toml")
        second = at_work.run("push", *push, "--endpoint", "endpoint.toml")
        assert "created" in first
        assert set(re.findall(r"^\S+", second, re.MULTILINE)) == {"left-alone"}
    assert len(at_work.held("CarePlan", subject=plan["patient"])) == 1


def sign_by_all(at_work: Workplace, when: tuple[str, str]) -> None:
    """Everyone whose role the protocol asks for signs; the last signature writes."""
    decision, plan = at_work.document("decision.json"), at_work.document("plan/plan.json")
    for role in decision["roles"]:
        person = next(person["id"] for person in plan["people"] if person["role"] == role)
        at_work.run("sign", "decision.json", "--person", person, *at_work.site(), *when)


def held_as_expected(at_work: Workplace, plan: dict[str, Any], protocol: str) -> None:
    subject = plan["patient"]
    goals = at_work.held("Goal", subject=subject)
    (care_plan,) = at_work.held("CarePlan", subject=subject)
    recorded = at_work.held("Provenance", target=f"CarePlan/{care_plan['id']}")
    assert len(recorded) == 1
    names = {f"Goal/{goal['id']}": f"Goal/{_meant(goal)}" for goal in goals} | {
        f"CarePlan/{care_plan['id']}": "CarePlan/plan"
    }
    found = {"CarePlan": plain([care_plan], names), "Goal": plain(goals, names), "Provenance": plain(recorded, names)}
    assert_matches(EXPECTED / f"{protocol}.json", found)


def _meant(goal: Resource) -> str:
    """`settle.extension`: an id by which anyone knows the Goal, whatever the server calls it."""
    return goal["identifier"][0]["value"].partition("/")[2].replace("/", ".")


def nothing_left(at_work: Workplace, plan: dict[str, Any], when: tuple[str, str]) -> None:
    """The nightly run writes nothing, for the endpoint file lets nothing through unsigned."""
    before = at_work.held("Goal", subject=plan["patient"])
    at_work.run("sync", *at_work.site(), *when, "--to", "results.ndjson")
    assert '"status":"unchanged"' in (at_work.folder / "results.ndjson").read_text()
    assert at_work.held("Goal", subject=plan["patient"]) == before
