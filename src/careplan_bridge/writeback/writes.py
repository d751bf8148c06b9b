"""A guarded write as a value: it can be shown, set down as an intent, sent alone, or sent with others as one transaction."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, cast
from uuid import NAMESPACE_URL, uuid5

from careplan_bridge.ledger.records import ByIdentifier, ByVersion
from careplan_bridge.model.receipt import Request
from careplan_bridge.model.route import Making
from careplan_bridge.writeback.identity import Identity, Resource, reference_of


@dataclass(frozen=True, slots=True)
class Create:
    """Made only where nothing carries its identity yet; `make` says who sees to that: the server, an id of ours, or our search before."""

    identity: Identity
    resource: Resource = field(repr=False)
    make: Making = "conditional"
    kind: Literal["create"] = "create"

    @property
    def name(self) -> str:
        return self.identity.name

    @property
    def step(self) -> str:
        return f"create {self.identity.kind} {self.identity.name}"

    @property
    def target(self) -> str:
        return self.identity.kind

    @property
    def place(self) -> str:
        """The address within a transaction, the same in every run."""
        return uuid5(NAMESPACE_URL, self.step).urn

    @property
    def own_id(self) -> str:
        """The id where we choose it: the same in every run and on every machine."""
        return str(uuid5(NAMESPACE_URL, self.step))

    @property
    def own_reference(self) -> str:
        return f"{self.identity.kind}/{self.own_id}"

    @property
    def body(self) -> Resource:
        return {**self.resource, "id": self.own_id} if self.make == "client-id" else self.resource

    @property
    def guard(self) -> ByIdentifier:
        return ByIdentifier(query=self.identity.query)

    @property
    def request(self) -> Request:
        if self.make == "client-id":
            return Request(method="PUT", url=self.own_reference, body=self.body)
        if self.make == "search":
            return Request(method="POST", url=self.identity.kind, body=self.resource)
        return Request(method="POST", url=self.identity.kind, body=self.resource, if_none_exist=self.identity.query)


@dataclass(frozen=True, slots=True)
class Update:
    """Made only where the resource is still at the version that `before` was read in; None: the server keeps no versions."""

    name: str
    before: Resource = field(repr=False)
    resource: Resource = field(repr=False)
    version: str | None
    kind: Literal["update"] = "update"

    @property
    def step(self) -> str:
        return f"update {self.target}"

    @property
    def target(self) -> str:
        return reference_of(self.resource)

    @property
    def guard(self) -> ByVersion:
        return ByVersion(version=self.version or "")

    @property
    def request(self) -> Request:
        if_match = f'W/"{self.version}"' if self.version else None
        return Request(method="PUT", url=self.target, body=self.resource, if_match=if_match)


Write = Create | Update


def bundle(writes: Sequence[Write], base: str) -> Resource:
    """One transaction Bundle; creates are addressed within it by their `place`."""
    return {"resourceType": "Bundle", "type": "transaction", "entry": [_entry(write, base) for write in writes]}


def relinked(resource: Resource, places: Mapping[str, str]) -> Resource:
    """The resource with every reference to a place in a transaction replaced by what is known of it."""
    return cast("Resource", _relinked(resource, places))


def _relinked(value: Any, places: Mapping[str, str]) -> Any:
    if isinstance(value, list):
        return [_relinked(inner, places) for inner in cast("list[Any]", value)]
    if isinstance(value, dict):
        return {name: _linked(name, inner, places) for name, inner in cast("Resource", value).items()}
    return value


def _linked(name: str, value: Any, places: Mapping[str, str]) -> Any:
    return places.get(value, value) if name == "reference" and isinstance(value, str) else _relinked(value, places)


def _entry(write: Write, base: str) -> dict[str, Any]:
    asked = write.request
    request: dict[str, Any] = {"method": asked.method, "url": asked.url}
    if asked.if_none_exist is not None:
        request["ifNoneExist"] = asked.if_none_exist
    if asked.if_match is not None:
        request["ifMatch"] = asked.if_match
    place = write.place if isinstance(write, Create) else f"{base}/{write.target}"
    return {"fullUrl": place, "resource": write.resource, "request": request}
