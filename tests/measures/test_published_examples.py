"""Every Observation among FHIR's own R4 examples ends as a reading or with a reason; none of them is read as what it is not."""

import os
from pathlib import Path

import pytest

from careplan_bridge.measures.feed import read_lines
from careplan_bridge.measures.reader import Reader
from careplan_bridge.model.conventions import Conventions
from careplan_bridge.model.measure import Catalogue

ROOT = Path(__file__).parents[2]


def _folder() -> Path | None:
    """The unpacked package hl7.fhir.r4.examples: where R4_EXAMPLES says, else in a folder beside this repository."""
    named = os.environ.get("R4_EXAMPLES")
    found = [Path(named)] if named else sorted(ROOT.parent.glob("*/fhir-data/r4-examples"))
    return found[0] if found and found[0].is_dir() else None


FOLDER = _folder()
FILES = sorted(FOLDER.glob("Observation-*.json")) if FOLDER else []


@pytest.mark.skipif(not FILES, reason="the package hl7.fhir.r4.examples is not here; set R4_EXAMPLES to its folder")
def test_all_of_them_are_answered(catalogue: Catalogue):
    reader = Reader(catalogue, Conventions())
    for file in FILES:
        assert reader.read_entry(file.read_bytes()).results, file.name
    together = read_lines((file.read_bytes() for file in FILES), reader)
    answered = {one.source.resource for one in (*together.readings, *together.unusable)}
    assert len(answered) == len(FILES)
