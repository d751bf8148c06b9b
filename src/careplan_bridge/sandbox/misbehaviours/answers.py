"""What may happen to a request or to its answer."""

import gzip
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, NoReturn, cast

from careplan_bridge.sandbox.exchange import Answer, Asked, Handler, HangUp, Misbehaviour
from careplan_bridge.sandbox.jsontext import Resource, is_array, is_object
from careplan_bridge.sandbox.outcome import Issue, operation_outcome

HTML = b"<!doctype html><title>Sign in</title><h1>Sign in to continue</h1><form method=post><input name=user></form>"
FHIR_JSON = "application/fhir+json"


def instead(status: int, code: str = "exception", headers: Mapping[str, str] | None = None) -> Misbehaviour:
    """This status with an OperationOutcome; the request is not done."""
    refusal = Answer(status, operation_outcome([Issue(code, "switched on in the sandbox")]), headers or {})
    return lambda _asked, _handler: refusal


def text_instead(status: int, text: bytes, content_type: str) -> Misbehaviour:
    """The request is not done."""
    return lambda _asked, _handler: Answer(status, headers={"Content-Type": content_type}, text=text)


def done_but(status: int, code: str = "exception") -> Misbehaviour:
    """The request is done, and the answer says this."""
    return done_and(lambda _: Answer(status, operation_outcome([Issue(code, "switched on in the sandbox")])))


def done_and(change: Callable[[Answer], Answer]) -> Misbehaviour:
    return lambda asked, handler: change(handler(asked))


def hang_up(_asked: Asked, _handler: Handler) -> NoReturn:
    raise HangUp


def done_then_hang_up(asked: Asked, handler: Handler) -> NoReturn:
    handler(asked)
    raise HangUp


def cut(answer: Answer) -> Answer:
    """Half of the body, then the connection closes."""
    return replace(answer, cut_at=len(answer.body) // 2)


def with_text(change: Callable[[bytes], bytes], **headers: str) -> Misbehaviour:
    """The body as other bytes."""
    named = {name.replace("_", "-"): value for name, value in headers.items()}

    def changed(answer: Answer) -> Answer:
        stated = {"Content-Type": FHIR_JSON} | dict(answer.headers) | named
        return Answer(answer.status, headers=stated, text=change(answer.body))

    return done_and(changed)


def with_resource(change: Callable[[Resource], Resource]) -> Misbehaviour:
    """The resource of a good answer, changed; refusals stay as they are."""

    def changed(answer: Answer) -> Answer:
        good = answer.resource is not None and answer.status < 300  # noqa: PLR2004 - a status
        return replace(answer, resource=change(cast("Resource", answer.resource))) if good else answer

    return done_and(changed)


def with_every_resource(change: Callable[[Resource], Resource]) -> Misbehaviour:
    """The same for a resource alone and for those in a Bundle's entries."""

    def changed(resource: Resource) -> Resource:
        if resource.get("resourceType") != "Bundle":
            return change(resource) if resource.get("resourceType") != "OperationOutcome" else resource
        return {**resource, "entry": [_entry(entry, change) for entry in resource.get("entry", [])]}

    return with_resource(changed)


def with_headers(change: Callable[[dict[str, str]], Mapping[str, str]]) -> Misbehaviour:
    return done_and(lambda answer: replace(answer, headers=change(dict(answer.headers))))


def asked_without(name: str) -> Misbehaviour:
    """As if the request did not have this header."""
    return lambda asked, handler: handler(replace(asked, headers=_without(asked.headers, name)))


def compressed(text: bytes) -> bytes:
    return gzip.compress(text, 1)


def everywhere(node: object, change: Callable[[dict[str, Any]], dict[str, Any]]) -> Any:
    """The tree with every object in it changed, the innermost first."""
    if is_array(node):
        return [everywhere(member, change) for member in node]
    if is_object(node):
        return change({name: everywhere(value, change) for name, value in node.items()})
    return node


def _entry(entry: Resource, change: Callable[[Resource], Resource]) -> Resource:
    return {**entry, "resource": change(entry["resource"])} if "resource" in entry else entry


def _without(headers: Mapping[str, str], name: str) -> dict[str, str]:
    return {key: value for key, value in headers.items() if key != name}
