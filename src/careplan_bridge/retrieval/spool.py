"""A retrieval as a file: the header on the first line, then one Observation a line, numbers as written (I3).

Only text is made and taken apart here; files/ opens and writes.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import msgspec

from careplan_bridge.errors import InputRefused
from careplan_bridge.model.retrieval import Retrieval, RetrievalHeader


@dataclass(frozen=True, slots=True)
class Spool:
    """What a retrieval file holds; `observations` are the lines as they stand there."""

    header: RetrievalHeader
    observations: tuple[bytes, ...]


def encode(retrieval: Retrieval) -> bytes:
    """The whole file. What came from a server unchanged stands there as it came, without spaces between."""
    return b"".join(map(_line, (retrieval.header, *retrieval.observations)))


def decode(lines: Iterable[bytes], name: str) -> Spool:
    """Raises InputRefused for what is no retrieval file, and for one that was cut short: it would look like fewer data."""
    rest = iter(lines)
    header = _header(next(rest, b""), name)
    observations = tuple(_filled(rest))
    if len(observations) != header.observations:
        raise InputRefused(
            f"{name}: the header promises {header.observations} Observations and the file has {len(observations)};"
            " it was cut short or changed, pull again"
        )
    return Spool(header, observations)


def _line(value: object) -> bytes:
    return msgspec.json.encode(value) + b"\n"


def _header(line: bytes, name: str) -> RetrievalHeader:
    try:
        return msgspec.json.decode(line, type=RetrievalHeader)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        says = str(error)
    raise InputRefused(f"{name}:1:1: this is no header of a retrieval file ({says}); `pull` writes such a file")


def _filled(lines: Iterable[bytes]) -> Iterator[bytes]:
    return (line.rstrip(b"\r\n") for line in lines if line.strip())
