"""The lock files serve the ranges in pyproject.toml, name no host, and pin every package by hash."""

import re
import tomllib
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
        name, version = re.match(r"([\w.-]+)==(\S+)", entry).groups()  # pyright: ignore[reportOptionalMemberAccess]
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


def test_both_locks_agree() -> None:
    everything = _pins("requirements-ci.lock")
    assert {name: pins for name, pins in _pins("requirements-test.lock").items() if everything[name] != pins} == {}
