"""The pages for those who run it name only commands, options and tests that there are."""

import re
import shlex
from pathlib import Path

import click
import pytest

from careplan_bridge.cli.main import program

TOP = Path(__file__).parents[2]
RUNNING = (TOP / "docs" / "running.md").read_text(encoding="utf-8")
THREATS = (TOP / "docs" / "threat-model.md").read_text(encoding="utf-8")
CALLS = [
    match[1] for match in re.finditer(r"^ .*?careplan-bridge ((?:sync|ledger|check|push) .*)$", RUNNING, re.MULTILINE)
]


@pytest.mark.parametrize("call", CALLS)
def test_every_call_is_one(call: str) -> None:
    words = shlex.split(call)
    found: click.Command = program
    context = click.Context(program, info_name="careplan-bridge")
    while isinstance(found, click.Group):
        inner = found.get_command(context, words.pop(0))
        assert inner is not None
        found = inner
    known = {name for option in found.params for name in option.opts}
    assert {word for word in words if word.startswith("--")} <= known


def test_calls_were_found() -> None:
    assert len(CALLS) >= 9


def test_every_exit_code_is_told() -> None:
    codes = {int(match) for match in re.findall(r"^\| (\d+) \|", RUNNING, re.MULTILINE)}
    reference = (TOP / "docs" / "commands.md").read_text(encoding="utf-8")
    assert codes == {int(match) for match in re.findall(r"^\| (\d+) \|", reference, re.MULTILINE)}


def test_every_control_is_held_by_tests_that_there_are() -> None:
    named = set(re.findall(r"`([a-z]+/test_\w+\.py)`", THREATS))
    assert len(named) > 15
    assert [name for name in sorted(named) if not (TOP / "tests" / name).is_file()] == []


def test_every_threat_has_a_control_and_a_test() -> None:
    rows = THREATS.partition("## Threats")[2].partition("## What is left")[0].splitlines()
    threats = [row for row in rows if row.startswith("| ") and not row.startswith(("| threat", "| ---"))]
    assert threats
    assert all(".py`" in row.split("|")[3] for row in threats)
