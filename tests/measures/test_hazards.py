"""Each hazard of reading names what holds it: files and tests that are there."""

import re
from pathlib import Path

PAGE = Path(__file__).parents[2] / "docs" / "hazards.md"
FEWEST = 13
_LINK = re.compile(r"\[([^\]]+)\]\(([^)]+)\)")


def _rows() -> list[str]:
    return [line for line in PAGE.read_text().splitlines() if re.match(r"\| R[0-9]+ \|", line)]


def test_every_hazard_of_reading_names_a_test_that_is_there():
    rows = _rows()
    assert len(rows) >= FEWEST
    for row in rows:
        held = _LINK.findall(row)
        assert held, row
        for name, target in held:
            file = PAGE.parent / target
            assert file.is_file(), target
            assert file.suffix != ".py" or f"def {name}(" in file.read_text(), name
