"""What `push --dry-run` says beforehand, beside the requests it shows."""

import json
from collections.abc import Iterator
from pathlib import Path

import jsonschema
import pytest

from careplan_bridge.cli.main import run
from careplan_bridge.sandbox import background
from careplan_bridge.sandbox.server import Sandbox
from tests.bridge.clinic import held
from tests.cli import desk

SCHEMAS = Path(__file__).parents[2] / "docs" / "schemas"
DRY = ("push", "plan/plan.json", *desk.SERVER, "--dry-run")


@pytest.fixture
def base(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    monkeypatch.chdir(tmp_path)
    with Sandbox() as sandbox:
        desk.lay_out(tmp_path)
        desk.point_at(tmp_path, sandbox.base)
        background.load(sandbox.base, (tmp_path / "patient.json").read_bytes())
        yield sandbox.base


def set_first(line: str) -> None:
    file = Path("endpoint.toml")
    file.write_text(f"{line}\n{file.read_text(encoding='utf-8')}", encoding="utf-8")


def test_it_says_what_and_which_way(base: str, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert run([*DRY, "--forecast", "forecast.json"]) == 0
    said = capsys.readouterr()
    assert "a first push writes this; what is there already is left alone:\n" in said.err
    assert (
        "  5 Goals of stage 'settle' created as planned\n  CarePlan created as a draft\n  as one transaction\n"
        in said.err
    )
    assert "as one transaction" not in said.out
    forecast = json.loads(Path("forecast.json").read_bytes())
    jsonschema.validate(forecast, json.loads((SCHEMAS / "forecast.json").read_bytes()), jsonschema.Draft202012Validator)
    assert [step["what"] for step in forecast["steps"]] == ["transaction"]
    assert held(base, "CarePlan") == []


def test_one_after_another_is_said_too(base: str, capsys: pytest.CaptureFixture[str]) -> None:
    set_first('transactions = "never"')
    assert run([*DRY]) == 0
    assert "  one after another, the CarePlan last\n" in capsys.readouterr().err
    assert held(base, "Goal") == []


def test_where_the_plan_stays_in_the_ledger_that_is_said(base: str, capsys: pytest.CaptureFixture[str]) -> None:
    set_first('plans = "ledger"')
    assert run([*DRY]) == 0
    said = capsys.readouterr().err
    assert "nothing will be written here:\n" in said
    assert "the plan lives in this ledger alone" in said
    assert held(base, "CarePlan") == []


def test_a_real_push_tells_afterwards_and_keeps_the_forecast_where_asked(
    base: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["push", "plan/plan.json", *desk.SERVER, "--forecast", "forecast.json"]) == 0
    assert "a first push writes this" not in capsys.readouterr().err
    assert json.loads(Path("forecast.json").read_bytes())["ends"] == "written"
    assert len(held(base, "CarePlan")) == 1


@pytest.mark.usefixtures("base")
def test_a_protocol_has_no_forecast(capsys: pytest.CaptureFixture[str]) -> None:
    words = ("push", "protocol.yaml", *desk.SERVER, *desk.SITE)
    assert run([*words, "--dry-run"]) == 0
    assert run([*words, "--forecast", "forecast.json"]) == 2
    assert "--forecast belongs to a plan" in capsys.readouterr().err
