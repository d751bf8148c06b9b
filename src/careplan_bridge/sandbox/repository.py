"""Create, read, update and delete of one resource, with its versions; every refusal carries its HTTP status."""

from collections.abc import Collection
from dataclasses import dataclass
from typing import NamedTuple

from careplan_bridge.sandbox import moments, references
from careplan_bridge.sandbox.clock import Clock
from careplan_bridge.sandbox.indexing import rows
from careplan_bridge.sandbox.integrity import check_links
from careplan_bridge.sandbox.jsontext import Resource, is_object, parse, render
from careplan_bridge.sandbox.outcome import Refused, refuse
from careplan_bridge.sandbox.references import Link
from careplan_bridge.sandbox.searching import Query, read_query
from careplan_bridge.sandbox.store import Store, Version


class Stored(NamedTuple):
    """A version as it now stands; status 200 where nothing new came to be, 201 where something did."""

    status: int
    version: Version


@dataclass(frozen=True, slots=True)
class Repository:
    """The rules of the interactions over a store. References may point at what is stored or `expected`."""

    store: Store
    clock: Clock
    stale_status: int = 412
    expected: frozenset[Link] = frozenset()

    def read(self, link: Link) -> Version:
        """Raises Refused: 404 where it never was, 410 where it was deleted."""
        version = self.store.newest(link)
        if version is None:
            raise refuse(404, "not-found", f"{link} is not known")
        if version.body is None:
            raise refuse(410, "deleted", f"{link} was deleted at {moments.instant(version.at)}")
        return version

    def read_version(self, link: Link, number: str) -> Version:
        version = self.store.version(link, int(number)) if number.isdecimal() else None
        if version is None:
            raise refuse(404, "not-found", f"{link} has no version {number}")
        if version.body is None:
            raise refuse(410, "deleted", f"version {number} of {link} is its deletion")
        return version

    def history(self, link: Link) -> list[Version]:
        versions = self.store.history(link)
        if not versions:
            raise refuse(404, "not-found", f"{link} is not known")
        return versions

    def create(self, resource: Resource, base: str, unless: str | None = None) -> Stored:
        """Stores under a new id; with `unless`, the query of If-None-Exist, only where nothing matches yet."""
        with self.store.writing():
            existing = self.matching(resource["resourceType"], unless) if unless else None
            if existing is not None:
                return Stored(200, self.read(existing))
            return self.store_new(Link(resource["resourceType"], self.store.next_id()), resource, base)

    def matching(self, resource_type: str, condition: str) -> Link | None:
        """The one resource that the condition of a conditional create finds. Raises Refused, 412, for several."""
        query = read_query(resource_type, condition.rpartition("?")[2])
        found = self.store.search(resource_type, query.where)
        if not query.where:
            raise refuse(400, "value", "a condition needs at least one search parameter")
        if len(found) > 1:
            raise refuse(412, "multiple-matches", f"{len(found)} resources of type {resource_type} match the condition")
        return Link(resource_type, found[0][0]) if found else None

    def store_new(self, link: Link, resource: Resource, base: str) -> Stored:
        return Stored(201, self._write(link, 1, "POST", self._prepared(resource, base)))

    def update(self, link: Link, resource: Resource, base: str, if_match: str | None = None) -> Stored:
        """A new version, or the first one under the client's id; an equal body makes no new version, as with HAPI."""
        with self.store.writing():
            former = self.store.newest(link)
            self._check_version(link, former, if_match)
            prepared = self._prepared(resource, base)
            if former is None:
                return Stored(201, self._write(_own_choice(link), 1, "PUT", prepared))
            if former.body is not None and _content(parse(former.body)) == _content(prepared):
                return Stored(200, former)
            status = 200 if former.body is not None else 201
            return Stored(status, self._write(link, former.number + 1, "PUT", prepared))

    def delete(self, link: Link, if_match: str | None = None, also: Collection[Link] = ()) -> Version | None:
        """The deletion, or None where there was nothing to delete. Raises Refused, 409, where others refer to it."""
        with self.store.writing():
            former = self.store.newest(link)
            self._check_version(link, former, if_match)
            if former is None or former.body is None:
                return None
            self._check_unreferenced(link, also)
            version = Version(*link, former.number + 1, self._now(), "DELETE", None)
            self.store.put(version, ())
            return version

    def search(self, resource_type: str, query: Query) -> list[tuple[str, int]]:
        return self.store.search(resource_type, query.where, query.order)

    def _check_unreferenced(self, link: Link, also: Collection[Link]) -> None:
        pointing = self.store.pointing_at(link)
        if pointing is not None and pointing not in also:
            raise refuse(409, "conflict", f"{link} cannot be deleted: {pointing} refers to it")

    def _check_version(self, link: Link, former: Version | None, if_match: str | None) -> None:
        if if_match is None or former is None:
            return
        wanted = if_match.strip().removeprefix("W/").strip('"')
        if not wanted.isdecimal():
            raise refuse(400, "value", 'If-Match needs a version as in W/"3"')
        if int(wanted) != former.number:
            raise refuse(
                self.stale_status, "conflict", f"{link} is at version {former.number}, not at version {wanted}"
            )

    def _prepared(self, resource: Resource, base: str) -> Resource:
        stored = references.rewritten(resource, lambda literal: references.as_stored(literal, base))
        assert is_object(stored)  # noqa: S101 - rewriting keeps the shape
        check_links(stored, lambda link: link in self.expected or self.store.exists(link))
        return stored

    def _write(self, link: Link, number: int, verb: str, resource: Resource) -> Version:
        at = self._now()
        body = _stamped(resource, link, number, at)
        version = Version(*link, number, at, verb, render(body))
        self.store.put(version, rows(body))
        return version

    def _now(self) -> int:
        """Cut to milliseconds, as lastUpdated shows it."""
        return moments.microseconds(self.clock()) // 1000 * 1000


def _own_choice(link: Link) -> Link:
    if link.id.isdecimal():
        raise refuse(400, "value", f"{link}: an id chosen by a client contains at least one character that is no digit")
    return link


def _stamped(resource: Resource, link: Link, number: int, at: int) -> Resource:
    head = {"resourceType": link.type, "id": link.id}
    meta = {"versionId": str(number), "lastUpdated": moments.instant(at)}
    kept = {key: value for key, value in resource.get("meta", {}).items() if key not in meta}
    rest = {key: value for key, value in resource.items() if key not in {"resourceType", "id", "meta"}}
    return {**head, "meta": {**meta, **kept}, **rest}


def _content(resource: object) -> bytes:
    """What an update compares: everything but id, version and lastUpdated."""
    if not is_object(resource):
        raise Refused(500, ())
    meta = {k: v for k, v in resource.get("meta", {}).items() if k not in {"versionId", "lastUpdated", "source"}}
    rest = {k: v for k, v in resource.items() if k not in {"id", "meta"}}
    return render({**rest, "meta": meta})
