"""Every Observation in what a person names: files, folders, standard input; each as the bytes it stood there as (I3).

A file may hold one resource, a Bundle, a JSON array, or NDJSON with one of these a line; a retrieval's first line is its
header. Other resources are passed over. A line that is no JSON stops the reading: what could not be seen whole would look
like fewer data.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import msgspec

from careplan_bridge.errors import FileRefused, WrongUse
from careplan_bridge.files.documents import opened
from careplan_bridge.model.retrieval import RetrievalHeader
from careplan_bridge.syntax.node import Place
from careplan_bridge.syntax.spot import Faults
from careplan_bridge.syntax.text import place_of

STANDARD_INPUT = "-"
LONGEST_LINE = 64 * 1024 * 1024  # bytes
_SUFFIXES = {".json", ".ndjson", ".jsonl"}
_BOM = b"\xef\xbb\xbf"


class _Entry(msgspec.Struct):
    resource: msgspec.Raw = msgspec.Raw()


class _Head(msgspec.Struct):
    """As much of a resource as says what it is."""

    resource_type: Any = msgspec.field(name="resourceType", default=None)


class _Header(msgspec.Struct):
    """As much of a retrieval's header as says how many lines follow."""

    document: str | None = None
    observations: int | None = None

    @classmethod
    def of(cls, line: bytes) -> "_Header | None":
        try:
            return msgspec.json.decode(line, type=cls)
        except msgspec.DecodeError:
            return None


class _Bundle(msgspec.Struct):
    entry: list[_Entry] = []


_HEAD = msgspec.json.Decoder(_Head)
_BUNDLE = msgspec.json.Decoder(_Bundle)
_ARRAY = msgspec.json.Decoder(list[msgspec.Raw])
_HEADER = msgspec.json.Decoder(RetrievalHeader)
# Numbers stay as written: fhir/raw.py has the reasons.
_RESOURCE = msgspec.json.Decoder(dict[str, Any], float_hook=lambda number: msgspec.Raw(number.encode()))


@dataclass(frozen=True, slots=True)
class _Part:
    """Some JSON text and where it stood; `line` is 0 where it was a file's whole content."""

    name: str
    line: int
    data: bytes

    @property
    def source(self) -> str:
        return f"{self.name}:{self.line}" if self.line else self.name


def raw_lines(paths: Iterable[str], stdin: IO[bytes] | None = None) -> Iterator[tuple[str, bytes]]:
    """Where each Observation stood, and its bytes.

    Raises:
        WrongUse: a path cannot be read, or `-` was named and there is no standard input.
        FileRefused: a text is no JSON.
    """
    for part in _parts(paths, stdin):
        yield from _observations(part)


def resources(paths: Iterable[str], stdin: IO[bytes] | None = None) -> Iterator[dict[str, Any]]:
    """The same as resources, numbers with a fraction or exponent kept as they were written."""
    return (_RESOURCE.decode(data) for _, data in raw_lines(paths, stdin))


def headers(paths: Iterable[str]) -> tuple[RetrievalHeader, ...]:
    """The headers of those files that are retrievals, in their order."""
    found = (_header(path) for name in paths if name != STANDARD_INPUT for path in _files(Path(name)))
    return tuple(header for header in found if header is not None)


def _header(path: Path) -> RetrievalHeader | None:
    with opened(path) as file:
        line = file.readline(LONGEST_LINE)
    if b'"retrieval"' not in line:
        return None
    try:
        return _HEADER.decode(line)
    except msgspec.DecodeError:
        raise _refused(
            _Part(str(path), 1, line), 0, "this header of a retrieval is not as `pull` writes it", "pull again"
        ) from None


def _parts(paths: Iterable[str], stdin: IO[bytes] | None) -> Iterator[_Part]:
    for name in paths:
        if name == STANDARD_INPUT:
            if stdin is None:
                raise WrongUse("`-` means standard input, and there is none here; name a file.")
            yield from _of_stream(stdin, "standard input")
        else:
            for path in _files(Path(name)):
                yield from _of_file(path)


def _files(path: Path) -> list[Path]:
    """The file, or all JSON files of a folder, hidden ones left out, in a stable order."""
    if not path.is_dir():
        return [path]
    found = (inside for inside in path.rglob("*") if inside.suffix in _SUFFIXES and inside.is_file())
    return sorted(
        inside for inside in found if not any(step.startswith(".") for step in inside.relative_to(path).parts)
    )


def _of_file(path: Path) -> Iterator[_Part]:
    with opened(path) as file:
        yield from _of_stream(file, str(path))


def _of_stream(stream: IO[bytes], name: str) -> Iterator[_Part]:
    """NDJSON line by line; anything else whole. It is NDJSON if its first line is JSON by itself and another one follows."""
    first = stream.readline(LONGEST_LINE).removeprefix(_BOM)
    if _is_json(first):
        yield _Part(name, 1, first)
        yield from _whole(_lines(stream, name), first, name)
    else:
        data = first + stream.read()
        if data.strip():
            yield _Part(name, 0, data)


def _whole(parts: Iterator[_Part], first: bytes, name: str) -> Iterator[_Part]:
    """The lines after the first; a retrieval that does not hold as many as its header promises is refused."""
    promised = _promised(first)
    seen = 0
    for part in parts:
        seen += 1
        yield part
    if promised is not None and promised != seen:
        part = _Part(name, 1, first)
        raise _refused(
            part,
            0,
            f"the header promises {promised} Observations and {seen} follow",
            "the file was cut short; pull again",
        )


def _promised(first: bytes) -> int | None:
    header = _Header.of(first)
    return header.observations if header and header.document == "retrieval" else None


def _lines(stream: IO[bytes], name: str) -> Iterator[_Part]:
    number = 1
    while line := stream.readline(LONGEST_LINE):
        number += 1
        if line.strip():
            yield _Part(name, number, line)


def _is_json(line: bytes) -> bool:
    try:
        msgspec.json.decode(line, type=msgspec.Raw)
    except (msgspec.DecodeError, RecursionError):
        return False
    return True


def _observations(part: _Part) -> Iterator[tuple[str, bytes]]:
    data = part.data.strip()
    if data[:1] == b"[":
        yield from _each(part, _parsed(_ARRAY, part))
        return
    head = _parsed(_HEAD, part)
    if head.resource_type == "Observation":
        yield part.source, data
    elif head.resource_type == "Bundle":
        yield from _each(part, [entry.resource for entry in _parsed(_BUNDLE, part).entry])


def _each(part: _Part, inside: list[msgspec.Raw]) -> Iterator[tuple[str, bytes]]:
    for number, raw in enumerate(inside, 1):
        data = bytes(raw)
        if data.strip():
            yield from _observations(_Part(f"{part.source}#{number}", 0, data))


def _parsed(decoder: Any, part: _Part) -> Any:
    try:
        return decoder.decode(part.data)
    except msgspec.ValidationError:
        raise _refused(
            part, 0, "this is JSON, but no FHIR resource", "give Observations, Bundles of them, or NDJSON"
        ) from None
    except (msgspec.DecodeError, UnicodeDecodeError) as broken:
        raise _refused(part, _byte(str(broken)), "this is no JSON", "mend the text; it is read as UTF-8") from None
    except RecursionError:
        raise _refused(part, 0, "parts lie too deep in each other", "write fewer levels") from None


def _byte(problem: str) -> int:
    """msgspec says where it stopped as `(byte 17)`."""
    _, _, rest = problem.rpartition("(byte ")
    return int(rest[:-1]) if rest[:-1].isdigit() else 0


def _refused(part: _Part, byte: int, what: str, mend: str) -> FileRefused:
    before = part.data[:byte].decode("utf-8", "replace")
    place = place_of(before, len(before))
    faults = Faults(part.name)
    faults.add(Place(place.line + max(part.line - 1, 0), place.column), what, mend)
    return faults.stop()


__all__ = ["headers", "raw_lines", "resources"]
