"""Observations of many people in one stream, those of one person behind each other, read for what is asked of each person.

What comes out decides every verdict as all of a person's entries would: entries are passed over only where their code, side or
qualifiers show that nothing asked for could be meant. Where versions, copies or panels could change what an entry says, the
whole person is read as `read_lines` reads.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import partial

import msgspec

from careplan_bridge.measures.asked import Asked
from careplan_bridge.measures.collection import Collection, Read
from careplan_bridge.measures.entry import DECODER, Entry, Named
from careplan_bridge.measures.feed import read_lines
from careplan_bridge.measures.loose import decode, member, text
from careplan_bridge.measures.outcome import Result
from careplan_bridge.measures.reader import Reader
from careplan_bridge.measures.standing import type_and_id

_UNLIKE_ALL = msgspec.Raw(b"[]")  # has to be read with care, whatever it is
_WRONG = (msgspec.DecodeError, UnicodeDecodeError, RecursionError)


@dataclass(slots=True)
class Person:
    """All lines about one person, with what was decoded of each. `reference` is such as `Patient/1`, None where none is named."""

    reference: str | None
    entries: list[Entry] = field(default_factory=list[Entry])
    lines: list[bytes] = field(default_factory=list[bytes])

    def results(self, reader: Reader, asked: Asked) -> tuple[Result, ...]:
        """What the record says of what is asked for, in no order."""
        patient = self.reference or ""
        if len({entry.id for entry in self.entries}) < len(self.entries):
            return _everything(self.lines, reader, patient)
        reads = [
            read
            for entry, line in zip(self.entries, self.lines, strict=True)
            if asked.may_say(entry) and (read := reader.read_asked(entry, line, asked, patient))
        ]
        if all(map(_stands_alone, reads)):
            return tuple([result for read in reads for result in read.results])
        return _together(reads, reader, patient)


def people(lines: Iterable[bytes]) -> Iterator[Person]:
    """Neighbouring lines about the same person. Lines that are no Observation are passed over."""
    person, named = Person(None), ""
    for line in lines:
        entry = _decoded(line)
        if entry is None:
            continue
        subject = entry.subject
        reference = (subject.reference if subject else None) or ""
        if reference != named:
            named = reference
            if type_and_id(reference) != person.reference:
                if person.lines:
                    yield person
                person = Person(type_and_id(reference) or None)
        person.entries.append(entry)
        person.lines.append(line)
    if person.lines:
        yield person


def _decoded(line: bytes) -> Entry | None:
    """The entry; None where the line is another resource. One of the wrong types is left to the careful way."""
    try:
        entry = DECODER.decode(line)
    except _WRONG:
        return _odd(line)
    return entry if entry.resourceType == "Observation" else None


def _odd(line: bytes) -> Entry | None:
    """Raises msgspec.DecodeError for what is no JSON."""
    resource = decode(line)
    if text(member(resource, "resourceType")) != "Observation":
        return None
    about = text(member(member(resource, "subject"), "reference"))
    return Entry(
        resourceType="Observation",
        id=text(member(resource, "id")),
        subject=Named(about) if about else None,
        component=_UNLIKE_ALL,
    )


def _stands_alone(read: Read) -> bool:
    """Neither a panel, nor one of several copies, nor what a panel may settle."""
    return not (read.identifiers or read.members or read.line or read.key.startswith("#"))


def _together(reads: list[Read], reader: Reader, patient: str) -> tuple[Result, ...]:
    collection = Collection(partial(reader.read_member, patient=patient))
    for read in reads:
        collection.add(read)
    return _results(collection)


def _everything(lines: Iterable[bytes], reader: Reader, patient: str) -> tuple[Result, ...]:
    found = read_lines(lines, reader, patient=patient)
    return (*found.readings, *found.unusable)


def _results(collection: Collection) -> tuple[Result, ...]:
    found = collection.readings()
    return (*found.readings, *found.unusable)


__all__ = ["Person", "people"]
