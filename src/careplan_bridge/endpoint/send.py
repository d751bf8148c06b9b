"""The only calls that change something on a server; only writeback imports them (I5).

Each says what became of the write: an Answer, or an error that tells whether nothing was written (Stale, Ambiguous,
Refused, EndpointDown, LoginRefused) or that this is not known (AnswerLost). Nothing is repeated whose answer was lost.
"""

import re
from dataclasses import dataclass, field
from typing import Any

from careplan_bridge.endpoint.asking import Reply
from careplan_bridge.endpoint.http import Client
from careplan_bridge.endpoint.outcomes import Ambiguous, AnswerLost, Stale
from careplan_bridge.endpoint.untrusted import an_object, objects, text
from careplan_bridge.endpoint.versions import reference_of, version_of
from careplan_bridge.errors import WrongUse
from careplan_bridge.fhir import raw

CREATED = 201
PRECONDITION_FAILED = 412

_RETURN = {"Prefer": "return=representation"}


@dataclass(frozen=True, slots=True)
class Answer:
    """What the server says it did. `reference` is `Type/id`, empty for a transaction as a whole.

    `created` is false for an update, and for a conditional create that found the resource there already. `resource` is
    the stored resource where the server sent it back. `entries` answer a transaction's entries, in their order.
    """

    status: int
    created: bool
    reference: str
    version: str | None
    resource: dict[str, Any] | None = field(repr=False)
    entries: "tuple[Answer, ...]" = field(default=(), repr=False)


def create(client: Client, resource: dict[str, Any], *, if_none_exist: str | None) -> Answer:
    """Create, unless `if_none_exist` (a search without `?`) finds the resource; then the one found is the answer.

    Raises Ambiguous where it finds several, Stale where another writer was faster.
    """
    kind = resource["resourceType"]
    condition = {"If-None-Exist": if_none_exist} if if_none_exist else {}
    try:
        reply = client.write("POST", kind, raw.encode(resource), what=kind, headers=_RETURN | condition)
    except Stale as conflict:
        raise _conflict(conflict, f"POST {kind}", conditional_only=True) from None
    return _answer(reply, expected="")


def update(client: Client, resource: dict[str, Any], *, version: str | None) -> Answer:
    """Replace the resource if it still has `version`. Raises Stale where it has not.

    Without a version the write would overwrite what nobody saw: the endpoint file must allow that.
    """
    kind, reference = resource["resourceType"], f"{resource['resourceType']}/{resource['id']}"
    if version is None and not client.endpoint.allow_unguarded:
        raise WrongUse(f"PUT {kind}: no version guards this write; only `allow_unguarded = true` lets it through")
    guard = {"If-Match": f'W/"{version}"'} if version is not None else {}
    reply = client.write("PUT", reference, raw.encode(resource), what=kind, headers=_RETURN | guard)
    return _answer(reply, expected=reference)


def create_as(client: Client, resource: dict[str, Any]) -> Answer:
    """Create under the id that the resource has, on a server that lets clients choose. The caller has seen that nothing is there.

    If-None-Match says so once more; a server that does not know it there passes over it.
    """
    kind, reference = resource["resourceType"], f"{resource['resourceType']}/{resource['id']}"
    headers = _RETURN | {"If-None-Match": "*"}
    return _answer(client.write("PUT", reference, raw.encode(resource), what=kind, headers=headers), expected=reference)


def delete(client: Client, reference: str) -> None:
    """Take away a resource that the bridge made to try something. Raises Refused where the server deletes nothing."""
    client.write("DELETE", reference, b"", what=reference.partition("/")[0], headers={})


def transaction(client: Client, bundle: dict[str, Any]) -> Answer:
    """All entries or none. Raises Stale (an ifMatch fails) or Ambiguous (an ifNoneExist finds several) for the whole.

    Raises AnswerLost also where the answer does not account for every entry: it may have been taken as a batch.
    """
    guarded = any("ifMatch" in entry["request"] for entry in bundle["entry"])
    try:
        reply = client.write("POST", "", raw.encode(bundle), what="transaction", headers=_RETURN)
    except Stale as conflict:
        raise _conflict(conflict, "transaction", conditional_only=not guarded) from None
    return _accounted(reply, bundle)


def _answer(reply: Reply, *, expected: str) -> Answer:
    """`expected` is the reference an update is about, empty for a create."""
    content = reply.content() or {}
    stored = {} if text(content, "resourceType") == "OperationOutcome" else content
    reference = reference_of(reply.headers, stored) or expected
    if not reference or (expected and reference != expected):
        where = "about another resource" if reference else "done, and not where"
        raise AnswerLost(f"{reply.ask.what}: the server said {where}; the next run finds out", status=reply.status)
    version = version_of(reply.headers, stored)
    return Answer(reply.status, reply.status == CREATED, reference, version, stored or None)


def _accounted(reply: Reply, bundle: dict[str, Any]) -> Answer:
    answer = reply.content() or {}
    asked, answered = bundle["entry"], objects(answer.get("entry"))
    entries = tuple(filter(None, map(_entry, asked, answered)))
    if text(answer, "type") != "transaction-response" or not len(entries) == len(asked) == len(answered):
        raise AnswerLost(
            f"{reply.ask.what}: the server's answer does not account for all {len(asked)} entries;"
            " what it did with each is not known; the next run finds out",
            status=reply.status,
        )
    return Answer(reply.status, created=False, reference="", version=None, resource=answer, entries=entries)


def _entry(asked: dict[str, Any], answered: dict[str, Any]) -> Answer | None:
    """The answer to one entry; None where it was not done, or not said where."""
    response, resource = an_object(answered.get("response")), an_object(answered.get("resource"))
    headers = {name: text(response, name) for name in response}
    reference = reference_of(headers, resource) or _put_to(asked["request"])
    done = re.match(r"(20[01])\b", text(response, "status"))
    if not (done and reference and _is_about(asked, reference, resource)):
        return None
    status = int(done[1])
    return Answer(status, status == CREATED, reference, version_of(headers, resource), resource or None)


def _is_about(asked: dict[str, Any], reference: str, stored: dict[str, Any]) -> bool:
    """Does the answer belong to the entry in whose place it stands? Not every server keeps the order."""
    request, sent = asked["request"], asked["resource"]
    if request["method"] == "PUT":
        return reference == request["url"]
    ours, theirs = objects(sent.get("identifier")), objects(stored.get("identifier"))
    told_apart = ours and theirs
    return reference.partition("/")[0] == request["url"] and (not told_apart or ours[0] in theirs)


def _put_to(request: dict[str, str]) -> str:
    return request["url"] if request["method"] == "PUT" else ""


def _conflict(conflict: Stale, what: str, *, conditional_only: bool) -> Stale | Ambiguous:
    """Where no version was named, 412 means several matches; a server may also say so in the word of the standard."""
    by_status = conditional_only and conflict.status == PRECONDITION_FAILED
    if not (by_status or any(issue.code == "multiple-matches" for issue in conflict.issues)):
        return conflict
    return Ambiguous(
        f"{what}: the server holds several resources with the identity that one of them must have alone;"
        " nothing was written. Settle by hand which is the right one",
        status=conflict.status,
        issues=conflict.issues,
    )
