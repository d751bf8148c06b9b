"""Small folders, each an input beside what must come out: one for every reason, one for every way to write a thing."""

import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import msgspec
import pytest

from careplan_bridge.measures.conventions_file import read_conventions
from careplan_bridge.measures.feed import read_lines
from careplan_bridge.measures.loose import decode, objects
from careplan_bridge.measures.reader import Reader
from careplan_bridge.measures.reasons import REASONS
from careplan_bridge.model.conventions import Conventions
from careplan_bridge.model.measure import Catalogue
from careplan_bridge.model.reading import Reading, Unusable
from careplan_bridge.model.value import Amount, Moment

DATA = Path(__file__).parent / "data"
CASES = sorted(str(path.parent.relative_to(DATA)) for path in DATA.rglob("input.json"))
DEFAULTS: dict[str, Any] = {
    "side": None,
    "qualifiers": {},
    "unit": None,
    "low_included": True,
    "high_included": True,
    "caveats": [],
    "circumstances": {},
}


def shown(reading: Reading) -> dict[str, Any]:
    value = reading.value
    return {
        "measure": reading.measure,
        "side": reading.side,
        "qualifiers": reading.qualifiers,
        "low": value.low,
        "high": value.high,
        "unit": value.unit if isinstance(value, Amount) else None,
        "low_included": value.low_included,
        "high_included": value.high_included,
        "caveats": [caveat.code for caveat in reading.caveats],
        "circumstances": reading.circumstances,
    }


def hinted(entry: Unusable, wanted: dict[str, Any]) -> dict[str, Any]:
    """What is known of an entry, as far as the expectation speaks of it."""
    value = entry.hint.value
    known: dict[str, Any] = {
        "reason": entry.reason,
        "measure": entry.hint.measure,
        "void": entry.void,
        "side": entry.hint.side,
        "qualifiers": entry.hint.qualifiers,
        "low": value.low if value else None,
    }
    return {name: known[name] for name in {"measure", "void", *wanted}}


def conventions_of(folder: Path, catalogue: Catalogue) -> Conventions:
    file = folder / "conventions.toml"
    return read_conventions(file.read_bytes(), file.name, catalogue) if file.exists() else Conventions()


@pytest.mark.parametrize("name", CASES)
def test_what_comes_out_is_what_stands_beside_it(name: str, catalogue: Catalogue):
    folder = DATA / name
    expected = json.loads((folder / "expected.json").read_text(), parse_float=Decimal, parse_int=Decimal)
    given = decode((folder / "input.json").read_bytes())
    resources = objects(given)
    reader = Reader(catalogue, conventions_of(folder, catalogue))
    found = reader.read_all(resources, patient=expected.get("patient"))
    wanted = sorted(({**DEFAULTS, **one} for one in expected["readings"]), key=repr)
    moments = [one.pop("at") for one in wanted if "at" in one]
    assert sorted(map(shown, found.readings), key=_key) == sorted(wanted, key=_key)
    assert [msgspec.convert(one, Moment) for one in moments] == [one.at for one in found.readings if moments]
    assert _reasons(found.unusable, expected["unusable"]) == expected["unusable"]
    assert found == read_lines([msgspec.json.encode(one) for one in resources], reader, patient=expected.get("patient"))
    assert found == Reader(catalogue, conventions_of(folder, catalogue), cached=False).read_all(
        resources, patient=expected.get("patient")
    )


def _key(shown_reading: dict[str, Any]) -> str:
    return repr(sorted((name, str(value)) for name, value in shown_reading.items()))


def _reasons(unusable: tuple[Unusable, ...], expected: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The unusable entries in the order of the expectation, as far as it speaks of them."""
    rest = list(unusable)
    ordered: list[dict[str, Any]] = []
    for wanted in expected:
        full = {"measure": None, "void": False, **wanted}
        match = next((one for one in rest if hinted(one, full) == full), rest[0] if rest else None)
        if match is not None:
            rest.remove(match)
            ordered.append(wanted if hinted(match, full) == full else hinted(match, full))
    return ordered + [hinted(one, {"reason": ""}) for one in rest]


def test_every_reason_has_an_example():
    seen: set[str] = set()
    for name in CASES:
        seen |= {one["reason"] for one in json.loads((DATA / name / "expected.json").read_text())["unusable"]}
    assert set(REASONS) - seen == set()


def test_each_reason_has_a_folder_of_its_name_and_no_other_is_there():
    """The page about reading links to them."""
    folders = {path.name: path / "expected.json" for path in (DATA / "reason").iterdir()}
    assert set(folders) == set(REASONS)
    for code, file in folders.items():
        assert code in {one["reason"] for one in json.loads(file.read_text())["unusable"]}


def test_digits_stay_as_they_were_written(catalogue: Catalogue):
    line = (DATA / "value" / "digits-kept" / "input.json").read_bytes()
    (reading,) = Reader(catalogue, Conventions()).read_entry(line).results
    assert isinstance(reading, Reading)
    assert isinstance(reading.value, Amount)
    assert str(reading.value.low) == str(reading.recorded.value) == "90.00"
