"""Reads files whole, and writes documents so that a file is either the old one or the new one, never half of one.

What is written may be about a person: only its owner may read it.
"""

import contextlib
import os
import tempfile
from collections.abc import Generator
from decimal import Decimal
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Self, TypeVar

import msgspec

from careplan_bridge.errors import InputRefused, WrongUse
from careplan_bridge.model.decision import Decision
from careplan_bridge.model.plan import Plan

T = TypeVar("T")
_OURS = (
    "plan", "criteria-check", "next-visit", "decision", "readings", "receipt", "signing", "response", "faults", "forecast",
    "capabilities", "health",
)  # fmt: skip
LARGEST = 256 * 1024 * 1024  # bytes; more is given as NDJSON, which is read line by line
_ENCODER = msgspec.json.Encoder(decimal_format="number")


def read_bytes(path: Path) -> bytes:
    """The contents of a file. Raises WrongUse where it cannot be read, or is too large to be read whole."""
    with opened(path) as file:
        data = file.read(LARGEST + 1)
    if len(data) > LARGEST:
        raise InputRefused(
            f"{path}: the file has more than {LARGEST:,} bytes; give Observations as NDJSON, one a line."
        )
    return data


@contextlib.contextmanager
def opened(path: Path) -> Generator[IO[bytes]]:
    """The open file. Raises WrongUse where it cannot be read."""
    try:
        with path.open("rb") as file:
            yield file
    except OSError as error:
        raise WrongUse(f"{path}: cannot be read ({_why(error)}); check its name and rights.") from None


def write(path: Path, document: object) -> None:
    """A document as indented JSON; decimals are numbers with the digits they came with."""
    write_bytes(path, msgspec.json.format(_ENCODER.encode(document), indent=2) + b"\n")


def write_bytes(path: Path, data: bytes) -> None:
    """The whole file at once, its folder made where it is missing. Raises WrongUse where that is not possible."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        _replace(path, data)
    except OSError as error:
        raise WrongUse(f"{path}: cannot be written ({_why(error)}); choose another place.") from None


def read_plan(path: Path) -> Plan:
    """A plan document, as `draft` and the ledger write it. Raises InputRefused where the file is none."""
    return _decoded(path, Plan, "plan document; `draft` makes one")


def read_decision(path: Path) -> Decision:
    """A decision, as `decide` writes it. Raises InputRefused where the file is none."""
    return _decoded(path, Decision, "decision; `decide` makes one")


def read_check(path: Path) -> dict[str, Any]:
    """A criteria check as plain data, numbers as `Decimal`. Raises InputRefused where the file is none."""
    what = "criteria check of version 1; `criteria` makes one"
    check = _decoded(path, dict[str, Any], what)
    if check.get("document") != "criteria-check" or check.get("version") != 1:
        raise _refused(path, check, what)
    return check


class LineFile:
    """Results line by line, each on the disk before the next begins, so that a run that is cut off leaves what it did.

    Without a path the lines go to `otherwise`, if there is one. `adding`: what the file holds already stays.
    """

    def __init__(self, path: Path | None, otherwise: IO[str] | None = None, *, adding: bool = False) -> None:
        self._path, self._otherwise = path, otherwise
        self._flags = os.O_WRONLY | os.O_CREAT | (os.O_APPEND if adding else os.O_TRUNC)
        self._file: IO[bytes] | None = None

    def __enter__(self) -> Self:
        if self._path is not None:
            try:
                self._path.parent.mkdir(parents=True, exist_ok=True)
                self._file = os.fdopen(os.open(self._path, self._flags, 0o600), "wb")
            except OSError as error:
                raise WrongUse(f"{self._path}: cannot be written ({_why(error)}); choose another place.") from None
        return self

    def add(self, value: object) -> None:
        line = _ENCODER.encode(value) + b"\n"
        if self._file is not None:
            self._file.write(line)
            self._file.flush()
        elif self._otherwise is not None:
            self._otherwise.write(line.decode())
            self._otherwise.flush()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._file is not None:
            self._file.close()


def _decoded(path: Path, kind: type[T], what: str) -> T:
    data = read_bytes(path)
    try:
        return msgspec.json.Decoder(kind, float_hook=Decimal).decode(data)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        # The decoder's own words may repeat a value of the document.
        raise _refused(path, _plain(data), what) from None


def _plain(data: bytes) -> dict[str, Any]:
    try:
        return msgspec.json.decode(data, type=dict[str, Any])
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return {}


def _refused(path: Path, found: dict[str, Any], what: str) -> InputRefused:
    """Says what was given instead, where the file says so itself and the word is ours."""
    others = [name for name in _OURS if name == found.get("document") and not what.startswith(name.replace("-", " "))]
    shown = f"our document {others[0]!r}, " if others else "a FHIR resource, " if "resourceType" in found else ""
    return InputRefused(f"{path}: this is {shown}no {what}.")


def _replace(path: Path, data: bytes) -> None:
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def _why(error: OSError) -> str:
    return (error.strerror or type(error).__name__).lower()
