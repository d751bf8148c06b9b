"""Versions that are missing, wrong, or not looked at."""

from collections.abc import Mapping
from typing import Any

from careplan_bridge.sandbox.exchange import Answer, Asked, Handler, Misbehaviour
from careplan_bridge.sandbox.jsontext import Resource
from careplan_bridge.sandbox.misbehaviours.answers import asked_without, instead, with_every_resource, with_headers
from careplan_bridge.sandbox.misbehaviours.kind import Kind, always, first
from careplan_bridge.sandbox.misbehaviours.requests import anything, is_read, is_update


def without(*names: str) -> Misbehaviour:
    """Answers without these headers."""
    return with_headers(lambda headers: {name: value for name, value in headers.items() if name.lower() not in names})


def _strong(headers: dict[str, str]) -> Mapping[str, str]:
    return {name: value.removeprefix("W/") if name == "ETag" else value for name, value in headers.items()}


def _unversioned(resource: Resource) -> Resource:
    meta = {name: value for name, value in resource.get("meta", {}).items() if name != "versionId"}
    return {**resource, "meta": meta}


def _no_versions(asked: Asked, handler: Handler) -> Answer:
    bare = with_every_resource(_unversioned)
    return without("etag", "location", "content-location", "last-modified")(asked, lambda each: bare(each, handler))


def _old_reads() -> Misbehaviour:
    """A read replica that lags: after an update, two reads still show what was there before."""
    before: dict[tuple[str, ...], Answer] = {}
    left: dict[tuple[str, ...], int] = {}

    def misbehave(asked: Asked, handler: Handler) -> Answer:
        answer = handler(asked)
        if is_read(asked) and left.get(asked.path, 0):
            left[asked.path] -= 1
            return before[asked.path]
        if is_read(asked):
            before[asked.path] = answer
        elif is_update(asked) and asked.path in before:
            left[asked.path] = 2
        return answer

    return misbehave


def _word_versions(value: Any) -> Any:
    meta = value.get("meta", {})
    return {**value, "meta": {**meta, "versionId": f"v{meta['versionId']}"}} if "versionId" in meta else value


def _in_words(asked: Asked, handler: Handler) -> Answer:
    """Versions that are no numbers."""
    wanted = asked.header("if-match")
    plain = {**asked.headers, "if-match": wanted.replace("v", "")} if wanted else asked.headers
    renamed = with_headers(
        lambda headers: {n: v.replace('W/"', 'W/"v') if n == "ETag" else v for n, v in headers.items()}
    )
    worded = with_every_resource(_word_versions)
    return renamed(
        Asked(asked.method, asked.path, asked.query, plain, asked.body, asked.base), lambda each: worded(each, handler)
    )


KINDS = (
    Kind("etag-strong", "A strong ETag where FHIR wants a weak one.", always(anything, with_headers(_strong))),
    Kind("etag-missing", "No ETag; the version stands in meta alone.", always(anything, without("etag"))),
    Kind("versions-missing", "A server that keeps no versions at all.", always(anything, _no_versions)),
    Kind("versions-in-words", "Versions that are no numbers.", always(anything, _in_words)),
    Kind("reads-lag", "A read replica that lags behind the writes.", _old_reads),
    Kind(
        "if-match-ignored",
        "A server that overwrites whatever version If-Match names.",
        always(is_update, asked_without("if-match")),
    ),
    Kind(
        "stale-409",
        "A stale write that is answered 409 instead of 412, once.",
        first(is_update, instead(409, "conflict")),
    ),
)
