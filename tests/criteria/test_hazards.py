"""The page on hazards names tests and scenarios that exist."""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "hazards.md").read_text(encoding="utf-8")
NAMED = sorted(set(re.findall(r"`(tests/[^`]+)`", PAGE)))
JUDGING = re.findall(r"^\| (J\d+) \|.*\|$", PAGE, re.MULTILINE)


def test_hazards_of_judging_are_numbered_and_each_names_what_holds_it() -> None:
    assert [f"J{number}" for number in range(1, len(JUDGING) + 1)] == JUDGING
    assert len(JUDGING) >= 13
    rows = [line for line in PAGE.splitlines() if re.match(r"\| J\d", line)]
    assert all("`tests/" in row for row in rows)


@pytest.mark.parametrize("name", NAMED)
def test_what_is_said_to_hold_a_hazard_exists(name: str) -> None:
    path, _, test = name.partition("::")
    assert (ROOT / path).exists() or name == "tests/scenarios"
    if test:
        assert test.partition("[")[0] in _tests(ROOT / path)


def _tests(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")}
