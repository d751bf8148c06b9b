"""What a server makes of what it is given: lost, added, rewritten."""

import re
from collections.abc import Callable

from careplan_bridge.sandbox.exchange import Answer, Asked, Handler, Misbehaviour
from careplan_bridge.sandbox.jsontext import Resource, is_array, is_object, parse, render
from careplan_bridge.sandbox.misbehaviours.answers import everywhere, with_every_resource, with_text
from careplan_bridge.sandbox.misbehaviours.kind import Kind, always
from careplan_bridge.sandbox.misbehaviours.requests import anything, is_write


def stored_without(*names: str) -> Misbehaviour:
    """Elements of these names are dropped before anything is stored."""
    return _stored_as(lambda each: {name: value for name, value in each.items() if name not in names})


def _stored_as(change: Callable[[Resource], Resource]) -> Misbehaviour:
    def misbehave(asked: Asked, handler: Handler) -> Answer:
        body = render(everywhere(parse(asked.body), change))
        return handler(Asked(asked.method, asked.path, asked.query, asked.headers, body, asked.base))

    return misbehave


def _without_identifiers(each: Resource) -> Resource:
    """Business identifiers go, logical references stay."""
    return {name: value for name, value in each.items() if name != "identifier" or is_object(value)}


def _backwards(each: Resource) -> Resource:
    """Lists of objects the other way round, but for a Bundle's entries."""
    return {
        n: v[::-1] if is_array(v) and n not in {"entry", "link"} and v and is_object(v[0]) else v
        for n, v in each.items()
    }


def _renarrated(resource: Resource) -> Resource:
    text = {"status": "generated", "div": '<div xmlns="http://www.w3.org/1999/xhtml">Written by the server</div>'}
    return {**resource, "text": text}


def _marked(resource: Resource) -> Resource:
    tag = {"system": "https://example.org/server", "code": "seen"}
    return {**resource, "meta": {**resource.get("meta", {}), "tag": [tag], "source": "#switched-on"}, "language": "en"}


def _other_order(resource: Resource) -> Resource:
    return {"resourceType": resource["resourceType"], **dict(sorted(resource.items(), reverse=True))}


def _rounded(text: bytes) -> bytes:
    """130.0 for 130: numbers as a double is written."""
    return re.sub(rb'("value":-?\d+)([,}\]])', rb"\1.0\2", text)


def _cancelled(each: Resource) -> Resource:
    return {**each, "lifecycleStatus": "on-hold"} if each.get("lifecycleStatus") == "planned" else each


KINDS = (
    Kind(
        "identifiers-dropped",
        "A server that drops business identifiers.",
        always(is_write, _stored_as(_without_identifiers)),
    ),
    Kind(
        "extensions-dropped",
        "A server that drops extensions it does not know.",
        always(is_write, stored_without("extension")),
    ),
    Kind(
        "meta-dropped",
        "A server that gives no meta.",
        always(anything, with_every_resource(lambda each: {n: v for n, v in each.items() if n != "meta"})),
    ),
    Kind("notes-dropped", "A server that drops notes.", always(is_write, stored_without("note"))),
    Kind(
        "narrative-rewritten",
        "A server that writes its own narrative.",
        always(anything, with_every_resource(_renarrated)),
    ),
    Kind(
        "tags-added",
        "A server that adds tags, a source and a language.",
        always(anything, with_every_resource(_marked)),
    ),
    Kind("lists-reordered", "A server that gives lists in another order.", always(is_write, _stored_as(_backwards))),
    Kind(
        "elements-reordered",
        "A server that gives elements in another order.",
        always(anything, with_every_resource(_other_order)),
    ),
    Kind("decimals-rewritten", "A server that writes 130.0 for 130.", always(anything, with_text(_rounded))),
    Kind(
        "status-rewritten",
        "A server that stores another Goal status than it was given.",
        always(is_write, _stored_as(_cancelled)),
    ),
)
