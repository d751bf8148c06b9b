"""Client of the validator process: HL7's FHIR R4 instance validator, offline, one question a line."""

import json
import subprocess
from collections.abc import Generator, Iterable, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from tests.conformance.real_parts import VALIDATOR_JAR

JVM = ("-Xmx2g", "-XX:+UseSerialGC", "-XX:TieredStopAtLevel=1")
DEFINITIONS = frozenset({"StructureDefinition", "ValueSet", "CodeSystem"})


@dataclass(frozen=True, slots=True)
class Message:
    """One thing the validator says; `id` names the rule, which may be empty for rules that have no name."""

    severity: str
    location: str
    text: str
    id: str

    @property
    def is_error(self) -> bool:
        return self.severity in {"fatal", "error"}

    def __str__(self) -> str:
        return f"{self.severity} at {self.location or 'the resource'}: {self.text} [{self.id}]"


class ValidatorError(RuntimeError):
    """The process ended or could not be asked."""


class Validator:
    """One validator process; the first question takes some seconds, later ones milliseconds."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process

    def messages(self, resource: Mapping[str, Any] | str, profile: str | None = None) -> list[Message]:
        """What the validator says of a resource; text is validated digit by digit as it stands.

        A profile is a canonical URL and adds to the base definition.
        """
        question = {"id": 0, "resource": resource} | ({"profile": profile} if profile else {})
        _pipe(self._process.stdin).write(json.dumps(question) + "\n")
        _pipe(self._process.stdin).flush()
        answer = _pipe(self._process.stdout).readline()
        if not answer:
            raise ValidatorError(f"the validator ended with status {self._process.wait()}; see its log")
        return [
            Message(said["severity"], said["location"] or "", said["message"] or "", said["messageId"] or "")
            for said in json.loads(answer)["messages"]
        ]


@contextmanager
def running_validator(definitions: Iterable[Path], log: Path) -> Generator[Validator]:
    """Start a validator that knows the StructureDefinitions, ValueSets and CodeSystems of these files and folders.

    It ends with the block, and with this process however that ends: its standard input closes.
    """
    with log.open("wb") as sink:
        process = subprocess.Popen(
            ["java", *JVM, "-jar", str(VALIDATOR_JAR), *map(str, definitions)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=sink,
            text=True,
            encoding="utf-8",
        )
    try:
        yield Validator(process)
    finally:
        process.kill()
        process.wait()
        for stream in (process.stdin, process.stdout):
            _pipe(stream).close()


def _pipe(stream: IO[str] | None) -> IO[str]:
    assert stream is not None
    return stream
