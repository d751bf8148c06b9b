"""The quick way: plain entries by their shape. What it answers, the careful way answers too; what it cannot tell, it leaves.

Only an entry with one number or one coded value at one time, and with nothing that could change its meaning, goes this way.
"""

from operator import attrgetter
from typing import TypeVar

import msgspec

from careplan_bridge.measures.careful import Careful
from careplan_bridge.measures.circumstances import circumstances
from careplan_bridge.measures.collection import Read, may_be_settled
from careplan_bridge.measures.entry import DECODER, UNUSUAL, Entry
from careplan_bridge.measures.loose import Json, as_written, decode
from careplan_bridge.measures.moments import check_issue, written
from careplan_bridge.measures.outcome import Facts
from careplan_bridge.measures.refusal import Refused
from careplan_bridge.measures.shapes import Shape
from careplan_bridge.measures.standing import patient_fault
from careplan_bridge.model.digest import digest
from careplan_bridge.model.reading import Source

_MOST = 8192  # a feed has a few hundred shapes; a hostile one must not fill the memory

_UNUSUAL = attrgetter(*UNUSUAL)
_Key = tuple[object, ...]
Kept = TypeVar("Kept")


class Quick:
    def __init__(self, careful: Careful) -> None:
        self._careful = careful
        self._shapes: dict[_Key, Shape] = {}
        self._around: dict[_Key, dict[str, str]] = {}

    def read(self, line: bytes, patient: str | None) -> Read | None:
        """What the entry says; None where it has to be read with care."""
        try:
            entry = DECODER.decode(line)
            return self._read(entry, line, patient) if _is_plain(entry) else None
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
            return None

    def _read(self, entry: Entry, line: bytes, patient: str | None) -> Read | None:
        number, unread = _number(entry)
        shape = self._shape(entry, unread, line)
        if not shape.lasting:
            return None
        facts = self._facts(entry, line, patient)
        if facts is None:
            return None
        results = self._careful.outcomes.of_shape(shape, number, facts)
        meta = entry.meta
        return Read(
            f"Observation/{entry.id}",
            results,
            facts.source.version,
            meta.lastUpdated or None if meta else None,
            tuple([(one.system, one.value) for one in entry.identifier if one.system and one.value]),
            line=line if may_be_settled(results) else None,
        )

    def _shape(self, entry: Entry, unread: bytes, line: bytes) -> Shape:
        unit = entry.valueQuantity
        key = (
            bytes(entry.code),
            bytes(entry.bodySite),
            bytes(entry.method),
            bytes(entry.extension),
            bytes(entry.valueCodeableConcept),
            bytes(entry.valueBoolean),
            entry.status,
            unread,
            (unit.comparator, unit.unit, unit.system, unit.code) if unit else None,
            bool(entry.valueInteger),
        )
        found = self._shapes.get(key)
        return found or _keep(self._shapes, key, self._careful.shape(_object(line)))

    def _facts(self, entry: Entry, line: bytes, patient: str | None) -> Facts | None:
        at = written(entry.effectiveDateTime or "", self._careful.zone)
        around = self._circumstances(entry, line)
        if at is None or around is None:
            return None
        refused: Refused | None = None
        if entry.issued:
            try:
                check_issue(at, entry.issued, self._careful.zone)
            except Refused as reason:
                refused = reason
        version = entry.meta.versionId if entry.meta else None
        source = Source(f"Observation/{entry.id}", version or None, "" if version else digest(_object(line)))
        subject = entry.subject.reference if entry.subject else None
        return Facts(source, at, refused, patient_fault(subject, patient) if patient else None, around)

    def _circumstances(self, entry: Entry, line: bytes) -> dict[str, str] | None:
        """The circumstances but for the visit are those of many entries."""
        key = (bytes(entry.performer), bytes(entry.device), bytes(entry.method), bytes(entry.derivedFrom))
        around = self._around.get(key)
        if around is None:
            around = _keep(self._around, key, circumstances({**_object(line), "encounter": None}))
        if entry.encounter is None:
            return around
        visit = entry.encounter.reference
        return {**around, "visit": visit} if visit else None


def _is_plain(entry: Entry) -> bool:
    if entry.resourceType != "Observation" or not entry.id or not entry.effectiveDateTime:
        return False
    return not any(_UNUSUAL(entry))


def _number(entry: Entry) -> tuple[str | None, bytes]:
    """The number as written, and the text of a value that is none."""
    raw = entry.valueInteger or (entry.valueQuantity.value if entry.valueQuantity else b"")
    number = as_written(bytes(raw))
    return number, b"" if number else bytes(raw)


def _object(line: bytes) -> Json:
    return decode(line)  # pyright: ignore[reportReturnType] - the entry was an object when it was decoded before


def _keep(cache: dict[_Key, Kept], key: _Key, value: Kept) -> Kept:
    if len(cache) >= _MOST:
        cache.clear()
    cache[key] = value
    return value
