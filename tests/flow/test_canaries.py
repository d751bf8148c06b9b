"""Nothing personal in what others may read: logs, stderr, results files, exception texts. Each command, well and badly.

The record is full of canaries: a name, a birth date, a number, remarks in Observations, a token, the patient's own id. No leak is what
the user's own documents rightly hold, on stdout or in the file named with --to: what `pull` and `read` give (Observations, readings),
`draft` (the plan), `criteria` and `review` (the check and its page), `decide` and `sign` (the decision). The stdout of check, convert,
push, respond and sync is held against the canaries too; but a dry run shows what would be sent, and is for the user's own eyes.
"""

import logging
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from careplan_bridge.cli import link
from careplan_bridge.cli.main import run
from careplan_bridge.sandbox.exchange import Answer, Asked, Handler, HangUp, Misbehaviour
from careplan_bridge.sandbox.server import Sandbox
from tests.bridge.clinic import record
from tests.flow.workplace import FIXTURES, Workplace, observations

NAME, BORN, NUMBER, REMARK, TOKEN = "Quillfeather", "1961-07-19", "mrn-77430915", "whispered-remark", "tkn-5f1e0c"
PATIENT, WISH = "person-of-nobody-4711", "sail-to-the-skerries"
CANARIES = (NAME, BORN, NUMBER, REMARK, TOKEN, PATIENT, WISH)
OWN_DOCUMENTS = ("read", "draft", "criteria", "review", "pull", "decide", "sign")
AT = ("--at", "2026-04-01T16:30:00+02:00")
SITE = ("--conventions", "conventions.toml")
SERVER = ("--endpoint", "endpoint.toml")
FILES = ("protocol.yaml", "case.yaml")
FLOW: dict[str, tuple[str, ...]] = {
    "check": ("check", *FILES, "conventions.toml", "endpoint.toml"),
    "convert": ("convert", "protocol.yaml", *SITE),
    "draft": ("draft", *FILES, *SITE, "--to", "plan"),
    "push": ("push", "plan/plan.json", *SERVER),
    "push dry": ("push", "plan/plan.json", *SERVER, "--dry-run"),
    "pull": ("pull", "plan/plan.json", *SERVER, "--to", "pulled.ndjson"),
    "read": ("read", "pulled.ndjson", *SITE),
    "criteria": ("criteria", "plan/plan.json", *SERVER, *SITE, *AT, "--to", "check.json"),
    "review": ("review", "check.json", "--to", "check.html"),
    "respond": ("respond", "check.json", "red-flag", "calf", "--person", "t-lindqvist", "--reason", "none", *AT),
    "decide": ("decide", "check.json", "advance", "--reason", "all met", *AT, "--to", "decision.json"),
    "sign": ("sign", "decision.json", "--person", "t-lindqvist", *SERVER, *SITE, *AT),
    "sync": ("sync", *SERVER, *SITE, *AT, "--to", "results.ndjson"),
}
ASKS_THE_SERVER = ("push", "pull", "criteria", "sign", "sync")


@dataclass
class Desk:
    """A folder with the clinic's files, a server that holds canaries, and everything that was said so far."""

    sandbox: Sandbox
    folder: Path
    capture: pytest.CaptureFixture[str]
    log: pytest.LogCaptureFixture

    def run(self, step: str) -> int:
        words = FLOW[step]
        code = run(list(words))
        out, err = self.capture.readouterr()
        kept = [self.folder / name for name in ("results.ndjson", "events.log")]
        dry = "--dry-run" in words
        said = err + self.log.text + "".join(each.read_text() for each in kept if each.exists())
        assert leaked(said if dry or words[0] in OWN_DOCUMENTS else said + out) == [], f"{step} ended with {code}"
        return code

    def up_to(self, step: str) -> None:
        for earlier in list(FLOW)[: list(FLOW).index(step)]:
            assert self.run(earlier) == (1 if earlier == "respond" else 0)  # no red flag waits for a response


def leaked(said: str) -> list[str]:
    return [canary for canary in CANARIES if canary.lower() in said.lower()]


@pytest.fixture
def desk(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    caplog: pytest.LogCaptureFixture,
) -> Iterator[Desk]:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("BRIDGE_TOKEN", TOKEN)
    monkeypatch.setenv("CAREPLAN_BRIDGE_LOG", "events.log")
    monkeypatch.setattr(link.time, "sleep", no_wait)
    caplog.set_level(logging.DEBUG)
    with Sandbox() as sandbox:
        lay_out(tmp_path, sandbox.base)
        record(sandbox.base, [the_patient(), *map(marked, observations("acl-reconstruction", "awaiting-decision")[0])])
        caplog.clear()  # what the record itself did is not ours to hide
        yield Desk(sandbox, tmp_path, capsys, caplog)


def no_wait(_seconds: float) -> None:
    pass


def lay_out(folder: Path, base: str) -> None:
    Workplace.set_up(folder, base)
    endpoint = (
        (folder / "endpoint.toml").read_text().replace('kind = "none"', 'kind = "token"\ntoken_env = "BRIDGE_TOKEN"')
    )
    (folder / "endpoint.toml").write_text(endpoint)
    (folder / "protocol.yaml").write_text((FIXTURES / "protocols/acl-reconstruction.yaml").read_text())
    case = (FIXTURES / "cases/acl-quay-01.yaml").read_text()
    case = case.replace("example-acl-quay-01", PATIENT).replace("Walk the dog", f"{WISH} and {NAME}")
    (folder / "case.yaml").write_text(case)


def the_patient() -> dict[str, Any]:
    return {
        "resourceType": "Patient",
        "id": PATIENT,
        "name": [{"family": NAME}],
        "birthDate": BORN,
        "identifier": [{"system": "https://example.org/numbers", "value": NUMBER}],
    }


def marked(observation: dict[str, Any]) -> dict[str, Any]:
    remark = {"note": [{"text": f"{REMARK} {NAME} {BORN} {NUMBER}"}]}
    return observation | remark | {"subject": {"reference": f"Patient/{PATIENT}", "display": NAME}}


def outcome(status: int) -> Answer:
    """A server that repeats in its error what it was asked, as some do."""
    told = " ".join(CANARIES)
    issue = {
        "severity": "error",
        "code": "exception",
        "diagnostics": told,
        "details": {"text": told},
        "expression": [told],
    }
    return Answer(status, {"resourceType": "OperationOutcome", "issue": [issue]})


def always(status: int) -> Misbehaviour:
    return lambda _asked, _handler: outcome(status)


def refuses_writes(asked: Asked, handler: Handler) -> Answer:
    return handler(asked) if asked.method == "GET" else outcome(422)


def loses_writes(asked: Asked, handler: Handler) -> Answer:
    if asked.method == "GET":
        return handler(asked)
    raise HangUp


def busy_at_first() -> Misbehaviour:
    seen: list[str] = []

    def misbehave(asked: Asked, handler: Handler) -> Answer:
        seen.append(asked.query)
        return outcome(503) if len(seen) % 2 else handler(asked)

    return misbehave


FAULTS: dict[str, Misbehaviour] = {
    "500": always(500),
    "401": always(401),
    "403": always(403),
    "refuses writes": refuses_writes,
    "loses writes": loses_writes,
}


def test_the_whole_flow_says_nothing_personal(desk: Desk) -> None:
    desk.up_to("sync")
    assert desk.run("sync") == 0
    assert (desk.folder / "events.log").stat().st_size > 0
    assert NAME in (desk.folder / "plan" / "plan.json").read_text()  # the user's own words, in the user's own document
    assert NAME in (desk.folder / "pulled.ndjson").read_text()


@pytest.mark.parametrize("step", ASKS_THE_SERVER)
def test_nor_does_a_command_that_fails_or_its_next_run(desk: Desk, step: str) -> None:
    desk.up_to(step)
    for fault, misbehaviour in FAULTS.items():
        desk.sandbox.misbehaviours[:] = [misbehaviour]
        only_reads = step in ("pull", "criteria", "sync") and "writes" in fault
        assert (desk.run(step) == 0) is only_reads, fault
    desk.sandbox.misbehaviours[:] = [busy_at_first()]
    desk.run(step)
    desk.sandbox.misbehaviours.clear()
    assert desk.run(step) == 0
