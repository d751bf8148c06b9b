"""Answers to writes that do not say what was done, or where."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from urllib.parse import urlsplit

from careplan_bridge.sandbox.exchange import Answer, Asked, Handler, Misbehaviour
from careplan_bridge.sandbox.misbehaviours.answers import asked_without, with_headers, with_text
from careplan_bridge.sandbox.misbehaviours.kind import Kind, always, first
from careplan_bridge.sandbox.misbehaviours.requests import is_create, is_update, is_write


def _location(change: Callable[[str], str]) -> Misbehaviour:
    def changed(headers: dict[str, str]) -> Mapping[str, str]:
        return {name: change(value) if name == "Location" else value for name, value in headers.items()}

    return with_headers(changed)


def _nowhere(asked: Asked, handler: Handler) -> Answer:
    """201 with neither Location nor body."""
    answer = handler(asked)
    return Answer(answer.status, headers={"ETag": answer.headers.get("ETag", "")})


def _silent_204(asked: Asked, handler: Handler) -> Answer:
    handler(asked)
    return Answer(204)


def _twice(asked: Asked, handler: Handler) -> Answer:
    """A balancer that gives the request to two servers: stored twice."""
    again = asked_without("if-none-exist")
    again(asked, handler)
    return again(asked, handler)


def _as_old(asked: Asked, handler: Handler) -> Answer:
    answer = handler(asked)
    return replace(answer, status=200) if answer.status == 201 else answer  # noqa: PLR2004 - a status


def _elsewhere(url: str) -> str:
    return f"http://internal.example.org:8080{urlsplit(url).path}"


def _pretended(asked: Asked, handler: Handler) -> Answer:
    """The update is acknowledged with a new version, and nothing is stored."""
    answer = handler(Asked("GET", asked.path, "", {}, b"", asked.base))
    return Answer(200, answer.resource, {"ETag": 'W/"99"'})


KINDS = (
    Kind(
        "location-missing",
        "A create that does not say where, but sends the resource.",
        always(is_create, with_headers(lambda h: {n: v for n, v in h.items() if n != "Location"})),
    ),
    Kind(
        "location-relative",
        "A Location without scheme and host.",
        always(is_create, _location(lambda url: urlsplit(url).path)),
    ),
    Kind(
        "location-internal",
        "A Location with the name that the server has behind its proxy.",
        always(is_create, _location(_elsewhere)),
    ),
    Kind("created-and-nothing-said", "A 201 with neither Location nor body.", always(is_create, _nowhere)),
    Kind("created-204", "A create that is answered 204 with nothing.", always(is_create, _silent_204)),
    Kind("created-200", "A create that is answered 200.", always(is_create, _as_old)),
    Kind("created-twice", "A create that is stored twice.", first(is_create, _twice)),
    Kind(
        "minimal-answers", "A server that never sends back what it stored.", always(is_write, with_text(lambda _: b""))
    ),
    Kind("updates-pretended", "An update that is acknowledged and not stored.", always(is_update, _pretended)),
)
