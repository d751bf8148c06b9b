"""The generated tables of the pages about measures and reading say what the code says."""

import importlib.util
from pathlib import Path
from typing import Any

from careplan_bridge.model.measure import Catalogue

ROOT = Path(__file__).parents[2]


def _script() -> Any:
    place = importlib.util.spec_from_file_location("reading_docs", ROOT / "scripts" / "reading_docs.py")
    assert place is not None
    assert place.loader is not None
    script = importlib.util.module_from_spec(place)
    place.loader.exec_module(script)
    return script


def test_generated_tables_are_up_to_date(catalogue: Catalogue):
    script = _script()
    for name, tables in script.documents(catalogue).items():
        page = (ROOT / "docs" / name).read_text()
        assert script.filled(page, tables) == page, f"run: python scripts/reading_docs.py ({name})"
        assert all(len(table) > 500 and table in page for table in tables.values())
