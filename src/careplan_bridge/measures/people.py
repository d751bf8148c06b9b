"""Observations of many people in one stream, those of one person behind each other, read for what is asked of each person.

What comes out decides every verdict as all of a person's entries would: entries are passed over only where their code, side or
qualifiers show that nothing asked for could be meant. Where versions, copies or panels could change what an entry says, the
whole person is read as `read_lines` reads.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import groupby
from operator import attrgetter

import msgspec
from msgspec import Raw

from careplan_bridge.errors import InputRefused
from careplan_bridge.measures.asked import Asked
from careplan_bridge.measures.collection import Collection, Read
from careplan_bridge.measures.entry import ABSENT, GLANCE, Glance
from careplan_bridge.measures.feed import read_lines
from careplan_bridge.measures.loose import decode, member, obj, text
from careplan_bridge.measures.outcome import Result
from careplan_bridge.measures.reader import Reader
from careplan_bridge.measures.standing import type_and_id

_decode = GLANCE.decode
_id, _subject = attrgetter("id"), attrgetter("subject")
_UNLIKE_ALL = Raw(b"[]")  # has to be read with care, whatever it is
# What holds others within it would be lost unseen; any other resource says nothing here.
_SEVERAL = "A line is no single resource; group the entries by person first, that takes them apart."
_WRONG = (msgspec.DecodeError, UnicodeDecodeError, RecursionError)


@dataclass(slots=True)
class Person:
    """All lines about one person, with a glance at each. `reference` is such as `Patient/1`, None where none is named."""

    reference: str | None
    glances: list[Glance] = field(default_factory=list[Glance])
    lines: list[bytes] = field(default_factory=list[bytes])

    def results(self, reader: Reader, asked: Asked) -> tuple[Result, ...]:
        """What the record says of what is asked for, in no order."""
        if len(set(map(_id, self.glances))) < len(self.glances):
            return _everything(self.lines, reader)
        telling = asked.telling(self.glances, self.lines)
        reads = [read for line in telling if (read := reader.read_asked(line, asked))]
        if all(map(_stands_alone, reads)):
            return tuple([result for read in reads for result in read.results])
        if any(read.members for read in reads):
            return _everything(self.lines, reader)  # a panel may contradict an entry that was passed over
        return _together(reads, reader)


def people(blocks: Iterable[list[bytes]]) -> Iterator[Person]:
    """Neighbouring lines about the same person, whichever blocks they come in. Lines that are no Observation are passed over."""
    person, named = Person(None), ABSENT
    for block in blocks:
        lines, glances = _glances(block)
        start = 0
        for subject, several in groupby(glances, _subject):
            if subject != named:
                about, named = _about(subject), subject
                if about != person.reference and person.lines:
                    yield person
                    person = Person(about)
                person.reference = about
            person.glances += several
            end = start + len(person.glances) - len(person.lines)
            person.lines += lines[start:end]
            start = end
    if person.lines:
        yield person


def _glances(block: list[bytes]) -> tuple[list[bytes], list[Glance]]:
    """A glance at each line that is an Observation; one line that is unlike the others has each of the block looked at alone."""
    try:
        return block, list(map(_decode, block))
    except _WRONG:
        found = [(line, glance) for line in block if (glance := _glance(line)) is not None]
        return [line for line, _ in found], [glance for _, glance in found]


def _glance(line: bytes) -> Glance | None:
    """What is of the wrong types is left to the careful way. Raises msgspec.DecodeError for what is no JSON."""
    try:
        return _decode(line)
    except _WRONG:
        if not line.strip():
            return None
    resource = decode(line)
    if not obj(resource) or member(resource, "resourceType") == "Bundle":
        raise InputRefused(_SEVERAL)
    if member(resource, "resourceType") != "Observation":
        return None
    subject = Raw(msgspec.json.encode(obj(member(resource, "subject"))))
    return Glance(id=text(member(resource, "id")), subject=subject, component=_UNLIKE_ALL)


def _about(subject: Raw) -> str | None:
    """Whom a subject names, such as `Patient/1`; None where there is no literal reference."""
    reference = text(member(decode(bytes(subject)), "reference")) if subject else None
    return type_and_id(reference) if reference else None


def _stands_alone(read: Read) -> bool:
    """Neither a panel, nor one of several copies, nor what a panel may settle."""
    return not (read.identifiers or read.members or read.line or read.key.startswith("#"))


def _together(reads: list[Read], reader: Reader) -> tuple[Result, ...]:
    collection = reader.collection()
    for read in reads:
        collection.add(read)
    return _results(collection)


def _everything(lines: Iterable[bytes], reader: Reader) -> tuple[Result, ...]:
    found = read_lines(lines, reader)
    return (*found.readings, *found.unusable)


def _results(collection: Collection) -> tuple[Result, ...]:
    found = collection.readings()
    return (*found.readings, *found.unusable)


__all__ = ["Person", "people"]
