"""Observations into readings and unusable entries.

A reading is made only when measure, value, unit, moment, side and required qualifiers are all known. Whatever is not known is
named, with what would settle it; nothing is repaired and nothing is dropped. Reading knows no surgery and no plan.
"""

import hashlib
from collections.abc import Iterable, Iterator, Sequence
from functools import partial

import msgspec

from careplan_bridge.measures.asked import Asked, Wants
from careplan_bridge.measures.careful import Careful
from careplan_bridge.measures.collection import Collection, Identifier, Read, may_be_settled
from careplan_bridge.measures.context import fixed
from careplan_bridge.measures.loose import Json, decode, member, objects, text
from careplan_bridge.measures.outcome import Result, unusable
from careplan_bridge.measures.qualifiers import Claim
from careplan_bridge.measures.quick import Quick
from careplan_bridge.measures.refusal import Refused
from careplan_bridge.measures.scales import at_site
from careplan_bridge.measures.standing import type_and_id
from careplan_bridge.model.conventions import Conventions
from careplan_bridge.model.digest import digest
from careplan_bridge.model.fhir_names import RECORD_CODE_SYSTEM
from careplan_bridge.model.measure import Catalogue
from careplan_bridge.model.reading import Hint, Readings, Source, Unusable

_UNNAMED = "Observation"  # the resource of an entry without an id, if the caller has no better name
_ENCODER = msgspec.json.Encoder(decimal_format="number")
_RECORD = RECORD_CODE_SYSTEM.encode()
_WRONG = (msgspec.DecodeError, UnicodeDecodeError, RecursionError)


class Reader:
    """Reads with one catalogue and one site's conventions. Raises WrongUse if the site's time zone is none.

    `cached` False reads every entry the careful way; the answers are the same. Not to be shared between threads.
    """

    def __init__(self, catalogue: Catalogue, conventions: Conventions, *, cached: bool = True) -> None:
        catalogue = at_site(catalogue, conventions)
        self._careful = Careful(catalogue, conventions)
        self._sometimes_sided = frozenset(one.id for one in catalogue.measures.values() if one.side == "optional")
        self._quick = Quick(self._careful) if cached else None

    def read(self, resource: object, *, patient: str | None = None, name: str | None = None) -> tuple[Result, ...]:
        """What one Observation says; never raises for any JSON value.

        `patient` is a reference such as Patient/1: entries about anybody else are unusable. `name` stands for a missing id.
        """
        return self.read_entry(_encoded(resource), patient=patient, name=name).results

    def read_all(self, resources: Iterable[object], *, patient: str | None = None) -> Readings:
        """What all of them say together: newest versions, each entry once, panels over their members; in a stable order."""
        collection = self.collection(patient)
        for resource in resources:
            collection.add(self.read_entry(_encoded(resource), patient=patient))
        return collection.readings()

    def read_entry(self, line: bytes, *, patient: str | None = None, name: str | None = None) -> Read:
        """The same from the bytes of one Observation, with what tells versions and copies of it apart."""
        quick = self._quick.read(line, patient) if self._quick and _RECORD not in line else None
        return quick or self._read_carefully(line, patient, name)

    def asked(self, measures: frozenset[str], wants: Wants) -> Asked:
        """What is asked of records, so that the rest of them is passed over."""
        return Asked(self._careful, measures, wants)

    def read_asked(self, line: bytes, asked: Asked) -> Read | None:
        """What one entry of the person says, or None where it says nothing of what is asked for."""
        found = self._quick.read_asked(line, asked) if self._quick else None
        return self._read_carefully(line, None, None) if found is None else found or None

    def collection(self, patient: str | None = None) -> Collection:
        """A place for entries of one person, in which panels and their members, versions and copies find each other."""
        return Collection(partial(self.read_member, patient=patient), self._sometimes_sided)

    def read_member(self, line: bytes, claims: Sequence[Claim], patient: str | None = None) -> tuple[Result, ...]:
        """The same entry once more, as a member of a panel that fixes these qualifiers."""
        return self._read_carefully(line, patient, None, claims).results

    def _read_carefully(self, line: bytes, patient: str | None, name: str | None, claims: Sequence[Claim] = ()) -> Read:
        resource = _object(line)
        if resource is None or resource.get("resourceType") != "Observation":
            return _no_observation(line, name)
        source = _source(resource, name)
        if _is_record(resource):
            return _read(resource, source, (), line, ())
        results = self._careful.read(resource, source, patient, claims)
        other = any(isinstance(one, Unusable) and one.reason == "other-patient" for one in results)
        return _read(resource, source, results, line, () if other else self._fixed(resource))

    def _fixed(self, resource: Json) -> tuple[Claim, ...]:
        """What the entry, if it is a panel, fixes for its members. One that is withdrawn, not final or not understood fixes nothing."""
        if member(resource, "hasMember") is None:
            return ()
        shape = self._careful.shape(resource)
        return fixed(shape.context) if shape.context and shape.refused is None else ()


def _is_record(resource: Json) -> bool:
    """A signed decision that stands in the record as an Observation, for want of anything better: no measurement, and no fault."""
    codings = objects(member(member(resource, "code"), "coding"))
    return any(member(coding, "system") == RECORD_CODE_SYSTEM for coding in codings)


def _object(line: bytes) -> Json | None:
    try:
        resource = decode(line)
    except _WRONG:
        return None
    return resource if isinstance(resource, dict) else None  # pyright: ignore[reportUnknownVariableType]


def _encoded(resource: object) -> bytes:
    """The bytes of a resource; what is no JSON becomes bytes that are none either, so that it is named like all the rest."""
    try:
        return _ENCODER.encode(resource)
    except (TypeError, ValueError, OverflowError, RecursionError):
        return repr(resource).encode(errors="backslashreplace")


def _no_observation(line: bytes, name: str | None) -> Read:
    content = hashlib.sha256(line).hexdigest()
    entry = unusable(Refused("not-an-observation"), Source(name or _UNNAMED, None, content), Hint())
    return Read(f"#{content}", (entry,))


def _source(resource: Json, name: str | None) -> Source:
    """A server's id and version name one state of an entry; where either is missing, a digest of the content does."""
    named, version = text(resource.get("id")), text(member(resource.get("meta"), "versionId"))
    return Source(
        f"Observation/{named}" if named else name or _UNNAMED, version, "" if named and version else digest(resource)
    )


def _read(resource: Json, source: Source, results: tuple[Result, ...], line: bytes, claims: tuple[Claim, ...]) -> Read:
    named = text(resource.get("id"))
    return Read(
        key=f"Observation/{named}" if named else f"#{source.digest}",
        results=results,
        version=source.version,
        updated=text(member(resource.get("meta"), "lastUpdated")),
        identifiers=tuple(_identifiers(resource)),
        members=tuple(_members(resource)) if claims else (),
        claims=claims,
        line=line if may_be_settled(results) else None,
    )


def _identifiers(resource: Json) -> Iterator[Identifier]:
    """Business identifiers; one without a system may be anybody's."""
    for identifier in objects(member(resource, "identifier")):
        system, value = text(member(identifier, "system")), text(member(identifier, "value"))
        if system and value:
            yield system, value


def _members(resource: Json) -> Iterator[str]:
    for one in objects(member(resource, "hasMember")):
        if reference := text(member(one, "reference")):
            yield type_and_id(reference)
