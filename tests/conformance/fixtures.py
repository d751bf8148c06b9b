"""Fixtures that hand real parts to tests of every room; each part is started at most once a session, when asked for.

    def test_it(clean_hapi: str) -> None: ...             base address of an empty HAPI server
    def test_it(clean_validating_hapi: str) -> None: ...  the same, with every write validated
    def test_it(judge: Judge) -> None: judge(resource)    no errors, and no warning that nobody explained
    def test_it(us_core_judge: Judge) -> None: judge(resource, profile=US_CORE_CAREPLAN)
    def test_it(chromium: Browser) -> None: ...           a headless browser

A test that uses one of them is marked `hapi`, `validator`, `browser` or `independent` by itself.
"""

import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.conformance import fhir_documents, hapi, real_parts
from tests.conformance.converted import PROTOCOLS, write_converted
from tests.conformance.judgement import Judge, known_warnings
from tests.conformance.validator import Validator, running_validator
from tests.contract import servers

if TYPE_CHECKING:
    from playwright.sync_api import Browser


# First: pytest-xdist reads the groups in a hook of the same name.
@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark each test with the parts it needs, so that `-m hapi` finds all of them."""
    for item in items:
        used = set(getattr(item, "fixturenames", ()))
        for part, fixtures in real_parts.FIXTURES_OF_PART.items():
            if used & fixtures:
                item.add_marker(part)
        for group, fixtures in real_parts.ON_ONE_WORKER.items():
            if used & fixtures:
                item.add_marker(pytest.mark.xdist_group(group))


@pytest.fixture(scope="session")
def hapi_base(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Base address of a HAPI server as a site would run it: references must have targets, bodies are not validated.

    Other tests wrote to it before; a test that counts or searches wants `clean_hapi`.
    """
    started_by_hand = os.environ.get("CAREPLAN_BRIDGE_HAPI")
    if started_by_hand:
        yield started_by_hand.rstrip("/")
        return
    yield from _hapi(tmp_path_factory, validate=False)


@pytest.fixture(scope="session")
def hapi_validating_base(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Base address of a HAPI server that refuses what the FHIR instance validator finds in error."""
    yield from _hapi(tmp_path_factory, validate=True)


@pytest.fixture
def clean_hapi(hapi_base: str) -> str:
    """`hapi_base`, emptied before the test."""
    hapi.empty(hapi_base)
    return hapi_base


@pytest.fixture
def clean_validating_hapi(hapi_validating_base: str) -> str:
    """`hapi_validating_base`, emptied before the test."""
    hapi.empty(hapi_validating_base)
    return hapi_validating_base


@pytest.fixture(scope="session")
def own_definitions(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The CodeSystems, ValueSets and StructureDefinitions that `convert` makes, as files for a validator to know."""
    folders = write_converted(PROTOCOLS, tmp_path_factory.mktemp("converted"))
    return fhir_documents.definition_files(folders)


@pytest.fixture(scope="session")
def validator(own_definitions: list[Path], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Validator]:
    """The official R4 validator, with the project's own definitions."""
    yield from _validator(own_definitions, tmp_path_factory)


@pytest.fixture(scope="session")
def us_core_validator(own_definitions: list[Path], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Validator]:
    """The official R4 validator, with US Core 9 beside the project's own definitions."""
    data = real_parts.fhir_data()
    if data is None or not (data / real_parts.US_CORE).is_dir():
        real_parts.absent(
            "validator",
            f"there is no folder {real_parts.US_CORE}: set CAREPLAN_BRIDGE_FHIR_DATA to the folder that holds the"
            " definitions of US Core 9.0.0 as JSON files",
        )
    us_core = [data / real_parts.US_CORE, real_parts.VALIDATOR_STAND_INS]
    yield from _validator([*us_core, *own_definitions], tmp_path_factory)


@pytest.fixture(scope="session")
def judge(validator: Validator) -> Judge:
    """`judge(resource, profile=None)` fails unless the resource is valid and every warning about it is explained."""
    return Judge(validator, known_warnings())


@pytest.fixture(scope="session")
def us_core_judge(us_core_validator: Validator) -> Judge:
    """The judge for resources that claim, or are asked for by, a US Core 9 profile."""
    return Judge(us_core_validator, known_warnings())


@pytest.fixture(scope="session")
def chromium() -> "Iterator[Browser]":
    """A headless Chromium driven by Playwright; pages and contexts are the test's to open and close."""
    program = real_parts.chromium_program()
    if program is None:
        real_parts.absent("browser", "no Chromium is in PATH (Debian: apt-get install chromium)")
    try:
        from playwright.sync_api import sync_playwright  # noqa: PLC0415  (not a part of the test extras)
    except ImportError:
        real_parts.absent("browser", 'Playwright is not installed: pip install -e ".[dev]"')
    with sync_playwright() as playwright:
        # Chromium refuses to run its sandbox as root, which is how CI runs; the pages are our own.
        browser = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def independent_base() -> Iterator[str]:
    """Base address of a FHIR server that shares no line with ours, with an environment of its own."""
    if not servers.SERVER_PYTHON.is_file():
        real_parts.absent("independent", "the server is not installed: run tests/contract/server/build")
    with servers.independent_server() as base:
        yield base


def _hapi(temporary: pytest.TempPathFactory, *, validate: bool) -> Iterator[str]:
    if reason := real_parts.why_no_java(real_parts.HAPI_JAR):
        real_parts.absent("hapi", reason)
    log = temporary.mktemp("hapi") / "server.log"
    with hapi.running_hapi(log, validate=validate) as server:
        yield server.base


def _validator(definitions: list[Path], temporary: pytest.TempPathFactory) -> Iterator[Validator]:
    if reason := real_parts.why_no_java(real_parts.VALIDATOR_JAR):
        real_parts.absent("validator", reason)
    with running_validator(definitions, temporary.mktemp("validator") / "validator.log") as process:
        yield process
