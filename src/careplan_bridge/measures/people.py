"""Observations of many people in one stream, those of one person behind each other, read for what is asked of each person.

What comes out decides every verdict as all of a person's entries would: entries are passed over only where their code, side or
qualifiers show that nothing asked for could be meant. Where versions, copies or panels could change what an entry says, the
whole person is read as `read_lines` reads.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import msgspec

from careplan_bridge.errors import InputRefused
from careplan_bridge.measures.asked import Asked
from careplan_bridge.measures.collection import Collection, Read
from careplan_bridge.measures.entry import GLANCE, Glance, Named
from careplan_bridge.measures.feed import read_lines
from careplan_bridge.measures.loose import decode, member, obj, text
from careplan_bridge.measures.outcome import Result
from careplan_bridge.measures.reader import Reader
from careplan_bridge.measures.standing import type_and_id

_decode = GLANCE.decode
_UNLIKE_ALL = msgspec.Raw(b"[]")  # has to be read with care, whatever it is
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
        if len({glance.id for glance in self.glances}) < len(self.glances):
            return _everything(self.lines, reader)
        telling = asked.telling(self.glances, self.lines)
        reads = [read for line in telling if (read := reader.read_asked(line, asked))]
        if all(map(_stands_alone, reads)):
            return tuple([result for read in reads for result in read.results])
        return _together(reads, reader)


def people(lines: Iterable[bytes]) -> Iterator[Person]:
    """Neighbouring lines about the same person. Lines that are no Observation are passed over."""
    person, named = Person(None), None
    for line in lines:
        try:
            glance = _decode(line)
        except _WRONG:
            glance = _odd(line)
        if glance.resourceType != "Observation":
            if glance.resourceType == "Bundle":
                raise InputRefused(_SEVERAL)
            continue
        subject = glance.subject
        reference = None if subject is None else subject.reference
        if reference != named:
            about = type_and_id(reference) if reference else None
            if about != person.reference and person.lines:
                yield person
                person = Person(about)
            person.reference, named = about, reference
        person.glances.append(glance)
        person.lines.append(line)
    if person.lines:
        yield person


def _odd(line: bytes) -> Glance:
    """What is of the wrong types is left to the careful way. Raises msgspec.DecodeError for what is no JSON."""
    if not line.strip():
        return Glance()
    resource = decode(line)
    if not obj(resource):
        raise InputRefused(_SEVERAL)
    about = text(member(member(resource, "subject"), "reference"))
    return Glance(
        resourceType=text(member(resource, "resourceType")) or "",
        id=text(member(resource, "id")),
        subject=Named(about) if about else None,
        component=_UNLIKE_ALL,
    )


def _stands_alone(read: Read) -> bool:
    """Neither a panel, nor one of several copies, nor what a panel may settle."""
    return not (read.identifiers or read.members or read.line or read.key.startswith("#"))


def _together(reads: list[Read], reader: Reader) -> tuple[Result, ...]:
    collection = Collection(reader.read_member)
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
