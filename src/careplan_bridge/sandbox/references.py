"""References between resources: finding them, rewriting them, and what a server does to them on the way in."""

import re
from collections.abc import Callable, Iterator
from typing import NamedTuple

from careplan_bridge.sandbox.definitions import table
from careplan_bridge.sandbox.jsontext import Resource, is_array, is_object

_LITERAL = re.compile(r"(?P<type>[A-Z][A-Za-z]+)/(?P<id>[A-Za-z0-9\-.]{1,64})(/_history/[A-Za-z0-9\-.]{1,64})?")


class Link(NamedTuple):
    type: str
    id: str

    def __str__(self) -> str:
        return f"{self.type}/{self.id}"


def local(literal: str) -> Link | None:
    """The resource of this server that a relative reference names, whatever version of it."""
    match = _LITERAL.fullmatch(literal)
    known = match is not None and match["type"] in table().known_resources
    return Link(match["type"], match["id"]) if match and known else None


def literals(node: object) -> Iterator[str]:
    """Every literal reference in the tree."""
    if is_array(node):
        for member in node:
            yield from literals(member)
    elif is_object(node):
        for key, value in node.items():
            if key == "reference" and isinstance(value, str):
                yield value
            else:
                yield from literals(value)


def links(resource: Resource) -> Iterator[Link]:
    return (link for literal in literals(resource) if (link := local(literal)))


def rewritten(node: object, rewrite: Callable[[str], str]) -> object:
    """The tree with every literal reference replaced."""
    if is_array(node):
        return [rewritten(member, rewrite) for member in node]
    if is_object(node):
        return {key: _rewritten_member(key, value, rewrite) for key, value in node.items()}
    return node


def as_stored(literal: str, base: str) -> str:
    """Relative where it names a resource of this server, and without a version.

    HAPI stores `Observation/1/_history/2` as `Observation/1`, and its own absolute URLs as relative ones.
    """
    relative = literal.removeprefix(f"{base}/")
    link = local(relative)
    return str(link) if link else literal


def _rewritten_member(key: str, value: object, rewrite: Callable[[str], str]) -> object:
    if key == "reference" and isinstance(value, str):
        return rewrite(value)
    return rewritten(value, rewrite)
