"""The rooms import what they may, by the contracts in .importlinter; and the contracts say what the table here says."""

import configparser
import os
import shutil
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

import pytest

from tests.architecture.source import PACKAGE, ROOT

REPOSITORY = ROOT.parents[1]
CONTRACTS = REPOSITORY / ".importlinter"

ALLOWED = {
    "model": "",
    "errors": "",
    "syntax": "errors",
    "measures": "model errors syntax",
    "protocol": "model errors syntax measures",
    "planning": "model errors syntax measures protocol",
    "criteria": "model errors",
    "files": "model errors syntax measures protocol",
    "fhir": "model errors measures",
    "endpoint": "model errors syntax",
    "ledger": "model errors",
    "review": "model errors",
    "writeback": "model errors fhir endpoint ledger",
    "retrieval": "model errors measures endpoint ledger",
    "caseload": "model errors planning criteria ledger retrieval writeback",
    "bridge": "model errors syntax measures protocol planning criteria files fhir endpoint ledger review writeback"
    " retrieval caseload",
    "cli": "errors review bridge",
    "sandbox": "",
}
# Exceptions to the table, each within one contract.
EXCEPTIONS = {
    "endpoint": {"careplan_bridge.endpoint.** -> careplan_bridge.fhir.raw"},
    "cli": {
        f"careplan_bridge.cli.{command} -> careplan_bridge.sandbox{inside}"
        for command in ("sandbox", "demo")
        for inside in ("", ".**")
    },
}


def _contracts() -> configparser.ConfigParser:
    parser = configparser.ConfigParser()
    parser.read(CONTRACTS, encoding="utf-8")
    return parser


def _lint(package_parent: Path) -> subprocess.CompletedProcess[str]:
    program = Path(sys.executable).with_name("lint-imports")
    return subprocess.run(
        [program, "--no-cache", CONTRACTS],
        cwd=package_parent,
        env=os.environ | {"PYTHONPATH": str(package_parent), "COLUMNS": "200"},
        capture_output=True,
        text=True,
        check=False,
    )


def test_the_contracts_are_kept() -> None:
    linted = _lint(ROOT.parent)
    assert linted.returncode == 0, linted.stdout + linted.stderr


def test_every_room_is_in_the_table() -> None:
    rooms = {path.stem for path in ROOT.iterdir() if path.is_dir() or path.suffix == ".py"}
    assert rooms - {"__init__", "__main__", "__pycache__", "py", "shipped"} == set(ALLOWED)


@pytest.mark.parametrize("room", ALLOWED)
def test_a_contract_forbids_what_the_table_does_not_allow(room: str) -> None:
    contract = _contracts()[f"importlinter:contract:{room}"]
    forbidden = {name.removeprefix(f"{PACKAGE}.") for name in contract["forbidden_modules"].split()}
    ignored = {line for line in contract.get("ignore_imports", "").splitlines() if line}
    assert contract["source_modules"].split() == [f"{PACKAGE}.{room}"]
    assert forbidden == set(ALLOWED) - {room} - set(ALLOWED[room].split())
    assert ignored == EXCEPTIONS.get(room, set())


def test_a_planted_import_breaks_its_contract(tmp_path: Path) -> None:
    shutil.copytree(ROOT, tmp_path / PACKAGE, ignore=shutil.ignore_patterns("__pycache__"))
    contracts = _contracts()
    planted = [contracts[name] for name in contracts.sections() if ":contract:" in name]
    for contract in planted:
        _plant(tmp_path, *_forbidden_import(contract))
    said = _lint(tmp_path).stdout
    assert [contract["name"] for contract in planted if f"{contract['name']} BROKEN" not in said] == []


def _forbidden_import(contract: Mapping[str, str]) -> tuple[str, str]:
    """An importer, and what it may not import."""
    if contract["type"] == "protected":
        return f"{PACKAGE}.retrieval", contract["protected_modules"].strip()
    return contract["source_modules"].split()[0], contract["forbidden_modules"].split()[0]


def _plant(parent: Path, importer: str, imported: str) -> None:
    place = parent.joinpath(*importer.split("."))
    file = place / "planted.py" if place.is_dir() else place.with_suffix(".py")
    with file.open("a", encoding="utf-8") as source:
        source.write(f"\nimport {imported}\n")
