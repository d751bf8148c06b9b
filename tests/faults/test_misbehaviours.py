"""Every misbehaviour of the sandbox, met by a command: its exit code, its words, the ledger, the server, and the next run.

misbehaviours.toml holds a table for each: `["name"."command"]`, or `command/endpoint file`.

exit, says         the exit code, and what the output contains
waits, tries_again the seconds it wanted to wait, or how often, where the lengths are drawn by lot
ledger, server     "done" as after an undisturbed run, "before" as before it, or what is there otherwise (see stage.py)
again, then        exit code and server after the same command anew, on a server that has come to its senses
again_says         what that says
pending            why this outcome, which is the right one, is not reached yet
"""

import tomllib
from collections.abc import Callable, Iterator
from functools import cache
from itertools import count
from pathlib import Path
from typing import Any

import pytest

from careplan_bridge.endpoint import http
from careplan_bridge.sandbox.misbehaviours.registry import KINDS
from tests.faults import stage as stages
from tests.faults.played import BEFORE, Played, play
from tests.faults.stage import Stage

TABLE: dict[str, dict[str, dict[str, Any]]] = tomllib.loads(
    Path(__file__).with_name("misbehaviours.toml").read_text(encoding="utf-8")
)
UNTOUCHED = {"pull"}
Undisturbed = Callable[[str, str], Played]


def _cases() -> Iterator[Any]:
    for name, commands in TABLE.items():
        for command, row in commands.items():
            marks = [pytest.mark.xfail(reason=row["pending"], strict=True)] if "pending" in row else []
            yield pytest.param(name, command, row, id=f"{name}-{command}", marks=marks)


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with stages.set_up(tmp_path_factory.mktemp("stage")) as stage:
        yield stage


@pytest.fixture(scope="module")
def undisturbed(stage: Stage, tmp_path_factory: pytest.TempPathFactory) -> Undisturbed:
    @cache
    def played(command: str, endpoint: str) -> Played:
        as_asked = KINDS["login-needed"].make() if endpoint == "login" else KINDS["gzip"].make()
        return play(stage, tmp_path_factory.mktemp("undisturbed"), command, as_asked, endpoint=endpoint)

    return played


@pytest.mark.parametrize(("name", "command", "row"), list(_cases()))
def test_a_misbehaviour_leads_to_what_the_table_says(
    name: str,
    command: str,
    row: dict[str, Any],
    stage: Stage,
    undisturbed: Undisturbed,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    verb, _, endpoint = command.partition("/")
    if name == "slow-drip":
        monkeypatch.setattr(http, "monotonic", count(step=10).__next__)
    played = play(stage, tmp_path, verb, KINDS[name].make(), endpoint=endpoint or "endpoint")
    assert (played.exit, [words for words in row["says"] if words not in played.says]) == (row["exit"], []), played.says
    assert len(played.waits) == len(row.get("waits", ())) + row.get("tries_again", 0)
    assert row.get("waits", played.waits) == played.waits
    if verb not in UNTOUCHED:
        _assert_outcome(row, played, undisturbed(verb, endpoint or "endpoint"), stage.before[BEFORE[verb]])


def _assert_outcome(row: dict[str, Any], played: Played, done: Played, before: tuple[Any, Any]) -> None:
    assert played.again is not None
    ledger = {"done": done.ledger, "before": before[0]}
    server = {"done": done.server, "before": before[1]}
    assert played.ledger == _meant(row["ledger"], ledger)
    assert played.server == _meant(row["server"], server)
    assert played.again.exit == row["again"], played.again.says
    assert row.get("again_says", "") in played.again.says
    assert played.again.server == _meant(row["then"], server)


def _meant(said: Any, words: dict[str, Any]) -> Any:
    return words[said] if isinstance(said, str) else said


def test_every_misbehaviour_has_an_outcome_and_every_outcome_a_misbehaviour() -> None:
    assert set(TABLE) == set(KINDS)


def test_each_stands_for_something() -> None:
    assert len(KINDS) >= 60
    assert all(kind.stands_for.endswith(".") for kind in KINDS.values())
    assert len({kind.stands_for for kind in KINDS.values()}) == len(KINDS)
