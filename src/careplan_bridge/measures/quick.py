"""The quick way: plain entries by their shape. What it answers, the careful way answers too; what it cannot tell, it leaves.

Only an entry with one number or one coded value at one time, and with nothing that could change its meaning, goes this way.
"""

from operator import attrgetter
from typing import Literal, TypeVar

import msgspec

from careplan_bridge.measures.asked import Asked
from careplan_bridge.measures.careful import Careful
from careplan_bridge.measures.circumstances import circumstances
from careplan_bridge.measures.collection import Read, may_be_settled
from careplan_bridge.measures.entry import ABSENT, DECODER, UNUSUAL, Entry
from careplan_bridge.measures.loose import Json, as_written, decode
from careplan_bridge.measures.moments import issue_fault, written
from careplan_bridge.measures.outcome import Facts, Result
from careplan_bridge.measures.shapes import Shape
from careplan_bridge.measures.standing import patient_fault
from careplan_bridge.model.digest import digest
from careplan_bridge.model.reading import Reading, Source
from careplan_bridge.model.value import Moment

_MOST = 8192  # a feed has a few hundred shapes; a hostile one must not fill the memory

_decode = DECODER.decode
_unusual = attrgetter(*UNUSUAL)
_USUAL = _unusual(Entry())  # the defaults themselves: comparing them is comparing identities
_shape_parts = attrgetter("bodySite", "method", "extension", "valueCodeableConcept", "valueBoolean")
_around_parts = attrgetter("performer", "device", "method", "derivedFrom")

_Key = tuple[object, ...]
Kept = TypeVar("Kept")


class Quick:
    def __init__(self, careful: Careful) -> None:
        self._careful = careful
        self._shapes: dict[_Key, Shape] = {}
        self._around: dict[_Key, dict[str, str]] = {}
        self._moments: dict[str, Moment | None] = {}

    def read(self, line: bytes, patient: str | None) -> Read | None:
        """What the entry says; None where it has to be read with care."""
        return self._read(line, patient, None) or None

    def read_asked(self, line: bytes, asked: Asked) -> Read | Literal[False] | None:
        """The same where it could be meant by what is asked for; False where it certainly is not."""
        return self._read(line, None, asked)

    def _read(self, line: bytes, patient: str | None, asked: Asked | None) -> Read | Literal[False] | None:
        try:
            entry = _decode(line)
            if not _is_plain(entry):
                return None
            number, unread = _number(entry)
            shape = self._shape(entry, unread, line)
            if asked and shape.lasting and not asked.wants(shape):
                return False
            return self._read_plain(entry, shape, number, line, patient)
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
            return None

    def _read_plain(
        self, entry: Entry, shape: Shape, number: str | None, line: bytes, patient: str | None
    ) -> Read | None:
        at, around = self._moment(entry.effectiveDateTime), self._circumstances(entry, line)
        if not shape.lasting or at is None or around is None:
            return None
        results = self._results(shape, number, entry, _source(entry, line), at, around, patient)
        if not results:
            return None  # a panel; what it lacks has to be told with care
        return Read(
            f"Observation/{entry.id}",
            results,
            (entry.meta.versionId or None) if entry.meta else None,
            (entry.meta.lastUpdated or None) if entry.meta else None,
            tuple([(one.system, one.value) for one in entry.identifier if one.system and one.value]),
            line=None if results[0].__class__ is Reading or not may_be_settled(results) else line,
        )

    def _results(
        self,
        shape: Shape,
        number: str | None,
        entry: Entry,
        source: Source,
        at: Moment,
        around: dict[str, str],
        patient: str | None,
    ) -> tuple[Result, ...]:
        at, late = issue_fault(at, entry.issued, self._careful.zone) if entry.issued else (at, None)
        other = patient_fault(entry.subject.reference if entry.subject else None, patient) if patient else None
        if number and shape.recipe and not late and not other:
            reading = shape.recipe.reading(number, source, at, around)
            if reading is not None:
                return (reading,)
        return self._careful.outcomes.of_shape(shape, number, Facts(source, at, late, other, around))

    def _shape(self, entry: Entry, unread: bytes, line: bytes) -> Shape:
        unit = entry.valueQuantity
        key = (
            entry.status,
            bytes(entry.code),
            unread,
            None if unit is None else (unit.unit, unit.code, unit.system, unit.comparator),
            entry.valueInteger is ABSENT,
            # most entries have few of these
            *[bytes(part) if part is not ABSENT else b"" for part in _shape_parts(entry)],
        )
        return self._shapes.get(key) or _keep(self._shapes, key, self._careful.shape(_object(line)))

    def _moment(self, said: str | None) -> Moment | None:
        """A visit's entries often share their time."""
        if said not in self._moments:
            return _keep(self._moments, said or "", written(said or "", self._careful.zone))
        return self._moments[said]

    def _circumstances(self, entry: Entry, line: bytes) -> dict[str, str] | None:
        """The circumstances but for the visit are those of many entries."""
        key = tuple(map(bytes, _around_parts(entry)))
        around = self._around.get(key)
        if around is None:
            around = _keep(self._around, key, circumstances({**_object(line), "encounter": None}))
        if entry.encounter is None:
            return around
        return {**around, "visit": entry.encounter.reference} if entry.encounter.reference else None


def _is_plain(entry: Entry) -> bool:
    named = entry.resourceType == "Observation" and entry.id and entry.effectiveDateTime
    return bool(named) and _unusual(entry) == _USUAL


def _number(entry: Entry) -> tuple[str | None, bytes]:
    """The number as written, and the text of a value that is none."""
    raw = bytes(entry.valueInteger or (entry.valueQuantity.value if entry.valueQuantity else b""))
    number = as_written(raw)
    return number, b"" if number else raw


def _source(entry: Entry, line: bytes) -> Source:
    version = entry.meta.versionId if entry.meta else None
    return Source(f"Observation/{entry.id}", version or None, "" if version else digest(_object(line)))


def _object(line: bytes) -> Json:
    return decode(line)  # pyright: ignore[reportReturnType] - the entry was an object when it was decoded before


def _keep(cache: dict[_Key, Kept] | dict[str, Kept], key: _Key | str, value: Kept) -> Kept:
    if len(cache) >= _MOST:
        cache.clear()
    cache[key] = value  # pyright: ignore[reportArgumentType]
    return value
