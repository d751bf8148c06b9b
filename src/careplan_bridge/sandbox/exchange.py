"""One request and its answer, free of any web framework, and the seam where misbehaviours enter."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TypeAlias

from careplan_bridge.sandbox.jsontext import Resource, render

NO_HEADERS: Mapping[str, str] = {}


@dataclass(frozen=True, slots=True)
class Asked:
    """A request below the base: path segments, the raw query, header names in lower case."""

    method: str
    path: tuple[str, ...]
    query: str = ""
    headers: Mapping[str, str] = field(default_factory=dict[str, str])
    body: bytes = b""
    base: str = "http://127.0.0.1/fhir"

    def header(self, name: str) -> str | None:
        return self.headers.get(name)

    def prefers(self, preference: str, default: str = "") -> str:
        """The value of one preference of the Prefer header, as in `return=minimal`."""
        for part in self.headers.get("prefer", "").replace(";", ",").split(","):
            name, _, value = part.strip().partition("=")
            if name == preference:
                return value.strip('"')
        return default


@dataclass(frozen=True, slots=True)
class Answer:
    """A response: the body is a resource, or nothing.

    A misbehaviour may send `text` in the resource's place, cut the connection after `cut_at` bytes of the body, or let the
    body drip in so many `drops`.
    """

    status: int
    resource: Resource | None = None
    headers: Mapping[str, str] = field(default_factory=dict[str, str])
    text: bytes | None = None
    cut_at: int | None = None
    drops: int = 1

    @property
    def body(self) -> bytes:
        if self.text is not None:
            return self.text
        return b"" if self.resource is None else render(self.resource)


Handler: TypeAlias = Callable[[Asked], Answer]

Misbehaviour: TypeAlias = Callable[[Asked, Handler], Answer]
"""Wraps the handler: it may answer itself, change question or answer, count, wait, or raise HangUp.

Called on a worker thread, once for each request, outermost first. A write that the handler has answered is
committed: raising HangUp after it is a lost answer, raising it before is a lost request.
"""


class HangUp(Exception):
    """Close the connection without an answer."""
