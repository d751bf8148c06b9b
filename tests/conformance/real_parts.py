"""The parts a test may need that pip does not install, and what happens where one is missing.

Where a part is missing its tests are skipped, and the reason says how to get it. CI sets
`CAREPLAN_BRIDGE_REQUIRE` to the parts it must have (`hapi,validator,browser,independent,oracle`): there a missing part is a
failure.
"""

import os
import shutil
from pathlib import Path
from typing import NoReturn

import pytest

REPOSITORY = Path(__file__).parents[2]
JAVA = Path(__file__).parent / "java"
HAPI_JAR = JAVA / "server" / "target" / "hapi-server.jar"
VALIDATOR_JAR = JAVA / "validator" / "target" / "fhir-validator.jar"
CQL_JAR = JAVA / "cql" / "target" / "cql-translator.jar"
VALIDATOR_STAND_INS = JAVA / "validator" / "definitions"
US_CORE = "us-core-9.0.0"

# Which part a test needs is known from the fixtures it uses; the mark of the same name selects by part.
FIXTURES_OF_PART = {
    "hapi": {"hapi_base", "clean_hapi", "hapi_validating_base", "clean_validating_hapi"},
    "validator": {"validator", "us_core_validator", "judge", "us_core_judge"},
    "browser": {"chromium"},
    "independent": {"independent_base"},
    "oracle": {"oracle_answers", "ucum_answers"},
}
# With several workers (pytest -n) each has parts of its own. These are heavy to start and quick to ask, so one worker has
# them and all their tests; validating is slow, so every worker has a validator.
ON_ONE_WORKER = {
    "hapi": FIXTURES_OF_PART["hapi"],
    "us-core": {"us_core_validator", "us_core_judge"},
    "independent": {"independent_base"},
    "oracle": FIXTURES_OF_PART["oracle"],
}


def required_parts() -> set[str]:
    """The parts whose absence is a failure, as the environment lists them."""
    return {part.strip() for part in os.environ.get("CAREPLAN_BRIDGE_REQUIRE", "").split(",") if part.strip()}


def absent(part: str, reason: str) -> NoReturn:
    """Skip the test that needs the part, or fail it where the part is required."""
    if part in required_parts():
        pytest.fail(f"CAREPLAN_BRIDGE_REQUIRE lists {part}, but {reason}", pytrace=False)
    pytest.skip(reason)


def why_no_java(jar: Path) -> str | None:
    """Why the jar cannot be run, and what would mend it; None where it can."""
    if shutil.which("java") is None:
        return "no java is in PATH: install a Java 17 runtime (Debian: openjdk-17-jdk-headless and maven)"
    if not jar.is_file():
        return f"{jar.relative_to(REPOSITORY)} is not built: run tests/conformance/java/build (Java 17 and Maven)"
    return None


def fhir_data() -> Path | None:
    """The folder of published FHIR packages: `CAREPLAN_BRIDGE_FHIR_DATA`, else `../shared/fhir-data`."""
    named = os.environ.get("CAREPLAN_BRIDGE_FHIR_DATA")
    folder = Path(named) if named else REPOSITORY.parent / "shared" / "fhir-data"
    return folder if folder.is_dir() else None


def chromium_program() -> str | None:
    """The Chromium to drive: `CAREPLAN_BRIDGE_CHROMIUM`, else one that is in PATH."""
    named = os.environ.get("CAREPLAN_BRIDGE_CHROMIUM")
    return named or shutil.which("chromium") or shutil.which("chromium-browser")
