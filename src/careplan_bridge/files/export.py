"""Large NDJSON files of Observations about many people, in pieces: byte ranges that end where a person's entries end.

The pieces of a file that is grouped by person can be judged apart from each other, by several processes and in little memory.
`group_by_person` makes such a file of any other.
"""

import tempfile
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path
from typing import IO
from zlib import crc32

import msgspec

from careplan_bridge.files.documents import opened
from careplan_bridge.files.observations import raw_lines
from careplan_bridge.measures.standing import type_and_id

_BLOCK = 64 << 10  # bytes of lines that are read at a time
_BUCKET = 64 << 20  # bytes that are held while a bucket is sorted
_MOST_BUCKETS = 128  # files open at a time


class _Subject(msgspec.Struct, gc=False):
    reference: str | None = None


class _About(msgspec.Struct, gc=False):
    subject: _Subject | None = None


_ABOUT = msgspec.json.Decoder(_About)


def blocks(path: Path, start: int, end: int) -> Iterator[list[bytes]]:
    """The lines between two offsets, both of which begin a line (or end the file), some dozens at a time."""
    with opened(path) as file:
        file.seek(start)
        while start < end and any(block := _lines(file, min(_BLOCK, end - start))):
            start += sum(map(len, block))
            yield block


def _lines(file: IO[bytes], size: int) -> list[bytes]:
    """Whole lines of at least this size together, and no line more than that takes."""
    # `readlines` reads on until there is more than its hint, and for a hint of 0 to the end of the file.
    return file.readlines(size - 1) if size > 1 else [file.readline()]


def ranges(path: Path, count: int) -> list[tuple[int, int]]:
    """About `count` pieces of one size of a file that is grouped by person; no person's entries lie in two of them."""
    size = path.stat().st_size
    with opened(path) as file:
        cuts = {_next_person(file, size * part // count) for part in range(1, count)}
    return [(start, end) for start, end in pairwise(sorted({0, size, *cuts})) if start < end]


def group_by_person(paths: Iterable[str], to: Path) -> None:
    """Every Observation in files and folders, as one line each, those of one person behind each other and in their order.

    The entries go through temporary files beside `to`, so memory does not grow with their number; the order of people is no order.
    """
    several = list(paths)
    size = sum(Path(path).stat().st_size for path in several if Path(path).is_file())
    count = min(max(1, size // _BUCKET), _MOST_BUCKETS)
    with tempfile.TemporaryDirectory(dir=to.parent) as folder, ExitStack() as open_files:
        buckets = [open_files.enter_context((Path(folder) / str(number)).open("w+b")) for number in range(count)]
        for _, data in raw_lines(several):
            buckets[crc32(person(data).encode()) % count].write(_on_one_line(data))
        to.touch(mode=0o600)  # it is about people: only its owner may read it
        with to.open("wb") as grouped:
            for bucket in buckets:
                _sort(bucket, grouped)


def person(line: bytes) -> str:
    """Whom an entry is about, such as `Patient/1`; empty where it names nobody."""
    try:
        subject = _ABOUT.decode(line).subject
    except (msgspec.DecodeError, UnicodeDecodeError):
        return ""
    return type_and_id(subject.reference) if subject and subject.reference else ""


def _next_person(file: IO[bytes], offset: int) -> int:
    """Where the first person begins behind the one whose entries lie at `offset`."""
    file.seek(offset)
    file.readline()  # the rest of the line that the offset fell into
    here = file.tell()
    line = file.readline()
    about = person(line)
    while line and person(line) == about:
        here += len(line)
        line = file.readline()
    return here


def _on_one_line(data: bytes) -> bytes:
    return (msgspec.json.format(data, indent=-1) if b"\n" in data or b"\r" in data else data) + b"\n"


def _sort(bucket: IO[bytes], to: IO[bytes]) -> None:
    by_person: dict[str, list[bytes]] = {}
    bucket.seek(0)
    for line in bucket:
        by_person.setdefault(person(line), []).append(line)
    for several in by_person.values():
        to.writelines(several)
