"""What people and feeds write, one small file each: conventions and Observations beside what must come out of them.

In a file, `code` is what the site declares for its own code (a measure or an arc, side, qualifiers); an Observation is given by what
it adds to a plain final entry with that code. `readings` and `unusable` hold what must come out, and nothing else may.
"""

from pathlib import Path
from typing import Any

import pytest

from careplan_bridge.measures.reader import Reader
from careplan_bridge.model.measure import Catalogue
from careplan_bridge.model.reading import Reading, Readings
from careplan_bridge.model.value import Amount
from tests.measures.written import FILES, conventions, observations, written


def came_out(found: Readings) -> dict[str, list[dict[str, Any]]]:
    return {
        "readings": [_shown(one) for one in found.readings],
        "unusable": [{"reason": one.reason, "measure": one.hint.measure, "says": one.says} for one in found.unusable],
    }


def _shown(reading: Reading) -> dict[str, Any]:
    value = reading.value
    return {
        "measure": reading.measure,
        "side": reading.side,
        "qualifiers": reading.qualifiers,
        "low": value.low,
        "high": value.high,
        "low_included": value.low_included,
        "high_included": value.high_included,
        "unit": value.unit if isinstance(value, Amount) else None,
        "caveats": [f"{one.code}{' (weakens)' if one.weakens else ''}" for one in reading.caveats],
    }


def _wanted(reading: dict[str, Any]) -> dict[str, Any]:
    full: dict[str, Any] = {
        "side": None,
        "qualifiers": {},
        "low_included": True,
        "high_included": True,
        "unit": None,
        "caveats": [],
    }
    return {**full, **reading}


@pytest.mark.parametrize("file", FILES, ids=lambda file: f"{file.parent.name}/{file.stem}")
def test_what_is_written_comes_out_as_the_file_says(file: Path, catalogue: Catalogue):
    case = written(file)
    found = came_out(Reader(catalogue, conventions(case)).read_all(observations(case)))
    careful = came_out(Reader(catalogue, conventions(case), cached=False).read_all(observations(case)))
    assert found == careful
    assert _sorted(found["readings"]) == _sorted(list(map(_wanted, case["readings"])))
    assert _reasons(found["unusable"], case["unusable"]) == _sorted(case["unusable"])


def _sorted(entries: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return sorted(entries, key=lambda entry: repr(sorted((name, str(value)) for name, value in entry.items())))


def _reasons(found: list[dict[str, Any]], wanted: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """As far as the file speaks of them: the reason, and the measure or the sentence where it names them."""
    names = {name for one in wanted for name in one} or {"reason"}
    return _sorted([{name: one[name] for name in names} for one in found])


def test_every_measure_has_a_case_that_is_read(catalogue: Catalogue):
    read = {reading["measure"] for file in FILES for reading in written(file)["readings"]}
    assert set(catalogue.measures) - read == set()


def test_a_case_says_what_it_shows():
    titles = [written(file)["title"] for file in FILES]
    assert len(set(titles)) == len(titles)
    assert all(written(file)["readings"] or written(file)["unusable"] for file in FILES)
