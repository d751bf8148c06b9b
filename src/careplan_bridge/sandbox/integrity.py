"""Referential integrity as HAPI keeps it: on the elements that a reference search parameter looks at, no others."""

from collections.abc import Callable, Iterator

from careplan_bridge.sandbox.definitions import elements_of, table
from careplan_bridge.sandbox.indexing import values_at
from careplan_bridge.sandbox.jsontext import Resource, is_object
from careplan_bridge.sandbox.outcome import Refused, refuse
from careplan_bridge.sandbox.references import Link, local


def check_links(resource: Resource, exists: Callable[[Link], bool]) -> None:
    """Raises Refused: 400 for a target that is not there, 422 for one of a type that may not stand there."""
    for path, literal in _checked_literals(resource):
        link = local(literal)
        if link is not None:
            _check(resource["resourceType"], path, link, exists)
        elif not _is_elsewhere(literal):
            raise refuse(400, "invalid", f"{path} refers to {literal}, which names no resource type")


def _check(resource_type: str, path: str, link: Link, exists: Callable[[Link], bool]) -> None:
    if not exists(link):
        raise refuse(400, "not-found", f"{resource_type}.{path} refers to {link}, which is not on this server")
    targets = _targets(resource_type, path)
    if targets and link.type not in targets:
        raise _wrong_target(resource_type, path, link, targets)


def _wrong_target(resource_type: str, path: str, link: Link, targets: frozenset[str]) -> Refused:
    allowed = ", ".join(sorted(targets))
    return refuse(422, "invalid", f"{resource_type}.{path} may refer to {allowed}, not to a {link.type}")


def _checked_literals(resource: Resource) -> Iterator[tuple[str, str]]:
    for path in table().links.get(resource["resourceType"], []):
        for value in values_at(resource, path.split(".")):
            literal = value.get("reference") if is_object(value) else None
            if isinstance(literal, str):
                yield path, literal


def _is_elsewhere(literal: str) -> bool:
    """Contained, or on another server: not ours to check."""
    return literal.startswith(("#", "http://", "https://"))


def _targets(resource_type: str, path: str) -> frozenset[str]:
    owner, _, name = f"{resource_type}.{path}".rpartition(".")
    known = elements_of(owner) if owner in table().types else {}
    return known[name].kind.targets if name in known else frozenset()
