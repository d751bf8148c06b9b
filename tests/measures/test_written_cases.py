"""What people and feeds write, one small file each: conventions and Observations beside what must come out of them.

In a file, `code` is what the site declares for its own code (a measure or an arc, side, qualifiers); an Observation is given by what
it adds to a plain final entry with that code. `readings` and `unusable` hold what must come out, and nothing else may.
"""

from collections.abc import Mapping
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

import msgspec
import pytest
import yaml

from careplan_bridge.measures.reader import Reader
from careplan_bridge.model.conventions import Conventions, LocalCode
from careplan_bridge.model.measure import Catalogue
from careplan_bridge.model.reading import Reading, Readings
from careplan_bridge.model.value import Amount

CASES = Path(__file__).parent / "cases"
FILES = sorted(CASES.rglob("*.yaml"))
SYSTEM, CODE = "https://example.org/alder-quay", "SITE"
PLAIN: Mapping[str, Any] = {
    "resourceType": "Observation",
    "status": "final",
    "code": {"coding": [{"system": SYSTEM, "code": CODE}]},
    "effectiveDateTime": "2026-03-23T10:15:00+01:00",
}
FIXED = ("measure", "arc", "side")


def _digits(loader: Any, node: Any) -> Decimal:
    return Decimal(loader.construct_scalar(node))


_VERBATIM: Any = type("VerbatimLoader", (getattr(yaml, "CSafeLoader", yaml.SafeLoader),), {})
_VERBATIM.add_constructor("tag:yaml.org,2002:float", _digits)


@cache
def written(file: Path) -> dict[str, Any]:
    return yaml.load(file.read_text(), _VERBATIM)  # noqa: S506 - a safe loader whose numbers keep their digits


def observations(case: dict[str, Any]) -> list[dict[str, Any]]:
    return [{**PLAIN, "id": f"o{index}", **one} for index, one in enumerate(case["observations"])]


def conventions(case: dict[str, Any]) -> Conventions:
    declared = msgspec.convert(case.get("conventions", {}), Conventions)
    code = case.get("code")
    if code is None:
        return declared
    qualifiers = {name: value for name, value in code.items() if name not in FIXED}
    facts = {name: code[name] for name in FIXED if name in code}
    return msgspec.structs.replace(
        declared, codes=(*declared.codes, LocalCode(system=SYSTEM, code=CODE, qualifiers=qualifiers, **facts))
    )


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
