"""The lock files serve the ranges in pyproject.toml, name no host, and pin every package by hash."""

import re
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

REPOSITORY = Path(__file__).parents[2]
PROJECT = tomllib.loads((REPOSITORY / "pyproject.toml").read_text(encoding="utf-8"))["project"]
LOCKS = {"requirements-test.lock": ["test"], "requirements-ci.lock": ["test", "dev"]}


def _entries(lock: str) -> list[str]:
    """One text for each locked package: its pin, and its hashes on the lines that follow."""
    text = (REPOSITORY / lock).read_text(encoding="utf-8")
    return re.split(r"\n(?=\S)", text.strip())


def _pins(lock: str) -> dict[str, list[Version]]:
    pins: dict[str, list[Version]] = {}
    for entry in _entries(lock):
        name, version = re.match(r"([\w.-]+)(?:\[[\w,.-]+\])?==(\S+)", entry).groups()  # pyright: ignore[reportOptionalMemberAccess]
        pins.setdefault(canonicalize_name(name), []).append(Version(version))
    return pins


def _wanted(extras: list[str]) -> list[Requirement]:
    lists = [PROJECT["dependencies"], *(PROJECT["optional-dependencies"][extra] for extra in extras)]
    wanted = [Requirement(line) for lines in lists for line in lines]
    return [requirement for requirement in wanted if requirement.name != PROJECT["name"]]


@pytest.mark.parametrize(("lock", "extras"), LOCKS.items())
def test_every_range_is_served_by_the_lock(lock: str, extras: list[str]) -> None:
    pins = _pins(lock)
    unserved = [
        str(requirement)
        for requirement in _wanted(extras)
        if not any(version in requirement.specifier for version in pins.get(canonicalize_name(requirement.name), []))
    ]
    assert unserved == [], "run scripts/lock"


@pytest.mark.parametrize("lock", LOCKS)
def test_every_package_is_pinned_by_hash_and_names_no_host(lock: str) -> None:
    assert [entry for entry in _entries(lock) if "--hash=sha256:" not in entry or "://" in entry] == []


@pytest.mark.parametrize("lock", LOCKS)
def test_extras_that_packages_ask_of_each_other_stand_in_the_names(lock: str) -> None:
    """pip 23 takes `coverage==` for no pin of `coverage[toml]`, and refuses a newer coverage as unpinned."""
    names = {entry.split("==")[0] for entry in _entries(lock)}
    asked = {str(asked) for name in names for asked in _extras_asked(name)}
    assert asked, "no package asks for an extra: this test tests nothing"
    assert asked <= names


def _extras_asked(name: str) -> list[str]:
    try:
        lines = metadata.requires(name.split("[", maxsplit=1)[0]) or []
    except metadata.PackageNotFoundError:  # of another platform, or not in this environment
        return []
    asked = [Requirement(line) for line in lines]
    return [
        f"{canonicalize_name(one.name)}[{','.join(sorted(one.extras))}]"
        for one in asked
        if one.extras and (one.marker is None or one.marker.evaluate({"extra": ""}))
    ]


def test_both_locks_agree() -> None:
    everything = _pins("requirements-ci.lock")
    assert {name: pins for name, pins in _pins("requirements-test.lock").items() if everything[name] != pins} == {}
