"""What the next visit should measure, through the installed command and a server: document, text and page agree with the criteria
check of the same moment.
"""

import json
import re
from collections.abc import Iterator
from html import unescape
from itertools import chain
from pathlib import Path
from typing import Any

import pytest

from careplan_bridge.sandbox.server import Sandbox
from tests.flow.workplace import FIXTURES, Workplace, observations, patient

PROTOCOLS = sorted(path.stem for path in (FIXTURES / "protocols").glob("*.yaml"))
# Every protocol once, and one of them with everything that can follow; each case is a server and seven commands.
VISITS = [
    *((protocol, "not-yet") for protocol in PROTOCOLS),
    *(("acl-reconstruction", outcome) for outcome in ("information-missing", "blocked", "awaiting-decision")),
]
SHARED = (
    "plan",
    "revision",
    "case",
    "protocol",
    "clinic",
    "side",
    "stage",
    "at",
    "day",
    "outcome",
    "complete",
    "cautions",
)
COMPOUND = ("all-of", "any-of", "at-least-of")
BOX = re.compile(r"^ +\[ \] ", re.MULTILINE)
Part = dict[str, Any]


@pytest.mark.parametrize(("protocol", "outcome"), VISITS)
def test_the_next_visit_follows_from_the_check(protocol: str, outcome: str, tmp_path: Path) -> None:
    with Sandbox() as sandbox:
        at_work = Workplace.set_up(tmp_path, sandbox.base)
        when = pushed_and_measured(at_work, protocol, outcome)
        at_work.run("criteria", "plan/plan.json", *at_work.site(), *when, "--to", "check.json")
        asked = ("next-visit", "plan/plan.json", *at_work.site(), *when)
        visit = json.loads(at_work.run(*asked, "--format", "json", "--to", "visit.html"))
        text, page = at_work.run(*asked), (at_work.folder / "visit.html").read_text()
    check, plan = at_work.document("check.json"), at_work.document("plan/plan.json")
    agrees(visit, check, plan)
    shown(visit, text)
    shown(visit, re.sub(r"\s+", " ", unescape(page)))
    assert len(BOX.findall(text)) == len(list(safe(visit)))


def pushed_and_measured(at_work: Workplace, protocol: str, outcome: str) -> tuple[str, str]:
    """The plan on the server, and the person's Observations; the moment of the visit."""
    measured, expected = observations(protocol, outcome)
    files = (str(FIXTURES / "protocols" / f"{protocol}.yaml"), str(FIXTURES / "cases" / f"{expected['case']}.yaml"))
    at_work.run("draft", *files, "--conventions", "conventions.toml", "--to", "plan")
    at_work.record([patient(at_work.document("plan/plan.json")["patient"])])
    at_work.run("push", files[0], "--conventions", "conventions.toml", "--endpoint", "endpoint.toml")
    at_work.run("push", "plan/plan.json", "--endpoint", "endpoint.toml")
    at_work.record(measured)
    return "--at", expected["at"]


def agrees(visit: Part, check: Part, plan: Part) -> None:
    """The same judgement: whose, when, what is open, what is asked, what holds."""
    assert {name: visit[name] for name in SHARED} == {name: check[name] for name in SHARED}
    results = {one["id"]: one for one in check["criteria"]}
    purposes = list(chain.from_iterable(test["purposes"] for test in safe_or_not(visit)))
    assert {one["criterion"] for one in purposes} == set(open_criteria(plan, check))
    for purpose in purposes:
        result = results[purpose["criterion"]]
        assert purpose["title"] == result["says"]
        assert (purpose["reason"], purpose["says"]) in {(one["reason"], one["arithmetic"]) for one in leaves(result)}
    assert states(visit["ask"]) == states(check["red_flags"])
    assert visit["precautions"] == [one["text"] for one in check["precautions"] if one["lifting"] != "met"]
    for age in visit["ages"]:
        assert age["shown"] in {one["shown"] for part in leaves(results[age["criterion"]]) for one in part["readings"]}
    if check["outcome"] == "blocked":
        assert not visit["stations"]


def open_criteria(plan: Part, check: Part) -> Iterator[str]:
    stage = next(one for one in plan["stages"] if one["id"] == check["stage"])
    for criterion, result in zip(stage["criteria"], check["criteria"], strict=True):
        if is_open(criterion["condition"], result):
            yield criterion["id"]


def is_open(condition: Part, result: Part) -> bool:
    """Is anything left to be measured or looked for? Time alone needs no visit."""
    if result["verdict"] == "met" or condition["kind"] == "time":
        return False
    if condition["kind"] in COMPOUND:
        return any(map(is_open, condition["conditions"], result["parts"]))
    return True


def leaves(result: Part) -> Iterator[Part]:
    yield result
    for part in result["parts"]:
        yield from leaves(part)


def states(flags: list[Part]) -> dict[str, str]:
    return {one["id"]: one["state"] for one in flags}


def safe(visit: Part) -> Iterator[Part]:
    return (test for station in visit["stations"] for test in station["tests"])


def safe_or_not(visit: Part) -> Iterator[Part]:
    yield from safe(visit)
    yield from (one["test"] for one in visit["suppressed"])


def shown(visit: Part, where: str) -> None:
    """Everything a person has to know of it stands there."""
    wanted = [
        *(one["title"] for one in safe_or_not(visit)),
        *(purpose["says"] for test in safe(visit) for purpose in test["purposes"]),
        *(limit for test in safe(visit) for limit in test["within"]),
        *(one["says"] for one in visit["suppressed"]),
        *chain.from_iterable((one["ask"], one["act"]) for one in visit["ask"]),
        *chain.from_iterable((one["what"], one["shown"]) for one in visit["ages"]),
        *visit["precautions"],
        *visit["cautions"],
        visit["protocol"]["notice"],
        *([visit["clinic"]["contact"]] if visit["outcome"] == "blocked" else []),
    ]
    assert [one for one in wanted if one not in where] == []
