"""Observations as bytes, one a line: the way for files, retrievals and whole caseloads."""

from collections.abc import Iterable

from careplan_bridge.measures.reader import Reader
from careplan_bridge.model.reading import Readings


def read_lines(lines: Iterable[bytes], reader: Reader, *, patient: str | None = None) -> Readings:
    """What all these Observations say together; equal to `reader.read_all` of the same resources."""
    return read_named(((None, line) for line in lines), reader, patient=patient)


def read_named(lines: Iterable[tuple[str | None, bytes]], reader: Reader, *, patient: str | None = None) -> Readings:
    """The same for lines that have a name (file and place) for entries without an id of their own."""
    collection = reader.collection(patient)
    for name, line in lines:
        collection.add(reader.read_entry(line, patient=patient, name=name))
    return collection.readings()
