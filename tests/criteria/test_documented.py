"""The page on verdicts names every reason, state and mark that a check can carry."""

import re
from pathlib import Path

import careplan_bridge.criteria
from careplan_bridge.criteria import red_flags, restrictions
from careplan_bridge.model.check import Outcome

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "verdicts.md").read_text()
SOURCES = sorted(Path(careplan_bridge.criteria.__file__).parent.glob("*.py"))
_SAID = re.compile(r'(?:Missing\(\s*|reason=|_mark\(\s*|else )"([a-z]+(?:-[a-z]+)+)"')


def test_every_reason_and_mark_stands_on_the_page() -> None:
    said = {code for source in SOURCES for code in _SAID.findall(source.read_text())}
    assert len(said) > 15
    assert {code for code in said if f"`{code}`" not in PAGE} == set()


def test_every_state_stands_on_the_page() -> None:
    flags = (
        red_flags.PRESENT,
        red_flags.ABSENT,
        red_flags.RESPONDED,
        red_flags.UNTOLD,
        red_flags.OUT_OF_DATE,
        red_flags.NOT_ASKED,
    )
    states = {
        *flags,
        restrictions.UNTOLD,
        restrictions.EXCEEDED,
        restrictions.POSSIBLY,
        restrictions.RESPONDED,
        restrictions.KEPT,
        *Outcome,
    }
    assert {state for state in states if f"`{state}`" not in PAGE} == set()
