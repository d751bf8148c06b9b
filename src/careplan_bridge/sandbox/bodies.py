"""A request body into a resource that the strict checks let pass."""

import json
from typing import Any

import msgspec

from careplan_bridge.sandbox.definitions import table
from careplan_bridge.sandbox.exchange import Asked
from careplan_bridge.sandbox.jsontext import Resource, is_object, parse
from careplan_bridge.sandbox.outcome import Issue, Refused, refuse
from careplan_bridge.sandbox.strictness import faults

_JSON_TYPES = frozenset({"application/fhir+json", "application/json", "application/json+fhir"})


def resource_in(asked: Asked, expected: str) -> Resource:
    """Raises Refused: 400 for what is no JSON resource of the expected type, 415 for another format, 422 for faults."""
    resource = _parsed(asked)
    kind = resource.get("resourceType")
    if kind in table().known_resources and kind != expected:
        raise refuse(400, "invalid", f"the body is a {kind}; a {expected} was expected here")
    if found := [*repeated_names(asked.body), *faults(resource)]:
        raise Refused(422, found)
    return resource


def _parsed(asked: Asked) -> Resource:
    stated = (asked.header("content-type") or "application/fhir+json").partition(";")[0].strip().lower()
    if stated not in _JSON_TYPES:
        raise refuse(415, "not-supported", f"the body is {stated}; application/fhir+json is needed")
    try:
        body = parse(asked.body)
    except (msgspec.DecodeError, UnicodeDecodeError) as fault:
        raise refuse(400, "structure", f"the body is not JSON: {fault}") from None
    if not is_object(body):
        raise refuse(400, "structure", "the body is not a JSON object")
    return body


def repeated_names(text: bytes) -> list[Issue]:
    """Names that stand twice in one object: which of the values was meant cannot be told."""
    found: list[Issue] = []

    def note(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        names = [name for name, _ in pairs]
        if len(names) > len(set(names)):
            twice = sorted({name for name in names if names.count(name) > 1})
            found.append(Issue("structure", f"{', '.join(twice)} stands twice in one object"))
        return dict(pairs)

    json.loads(text, object_pairs_hook=note)
    return found
