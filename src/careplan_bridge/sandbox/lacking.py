"""A server that lacks something and says so: no transactions, no conditional create, no versions, no CarePlan.

Each lack is a word. `transaction`, `conditional-create`, `client-id`, `version` (neither ETag nor If-Match) and `identifier` (business
identifiers of CarePlan, Goal and what records a decision are dropped, and can't be searched for) are about the whole server;
`Goal.update` and the like take one interaction off one type. What is lacking is not declared either: a server that declares what it
lacks misbehaves, which is another thing.
"""

from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from typing import Any

from careplan_bridge.sandbox.definitions import table
from careplan_bridge.sandbox.exchange import Answer, Asked, Handler
from careplan_bridge.sandbox.jsontext import Resource, is_object, parse, render
from careplan_bridge.sandbox.outcome import Issue, operation_outcome

LACKS = ("transaction", "conditional-create", "client-id", "identifier", "version")
INTERACTIONS = ("create", "update", "delete", "read", "search-type")
NAMELESS = ("CarePlan", "Goal", "DocumentReference", "Observation", "Communication")
_GONE = (404, 410)


def is_a_lack(word: str) -> bool:
    kind, _, interaction = word.partition(".")
    return word in LACKS or (kind in table().resources and interaction in INTERACTIONS)


def lacking(handler: Handler, lacks: Collection[str]) -> Handler:
    """The handler of a server without these."""
    return (lambda asked: _answer(asked, handler, frozenset(lacks))) if lacks else handler


def _answer(asked: Asked, handler: Handler, lacks: frozenset[str]) -> Answer:
    if asked.path == ("metadata",):
        return _declared(handler(asked), lacks)
    if refused := _refused(asked, handler, lacks):
        return refused
    answer = handler(_without(asked, lacks))
    return _versionless(answer) if "version" in lacks else answer


def _refused(asked: Asked, handler: Handler, lacks: frozenset[str]) -> Answer | None:
    if asked.path == () and asked.method == "POST" and "transaction" in lacks:
        return _no(501, "this server does no transactions")
    interaction = _interaction(asked)
    if interaction in lacks:
        return _no(405, f"{interaction} is not served here")
    if "identifier" in lacks and "identifier=" in asked.query and asked.path[:1] != ("Patient",):
        return _no(400, "identifier is no search parameter of this server")
    if "client-id" in lacks and interaction.endswith(".update") and _is_new(asked, handler):
        return _no(405, "a client chooses no ids here")
    return None


def _interaction(asked: Asked) -> str:
    names = {("POST", 1): "create", ("PUT", 2): "update", ("DELETE", 2): "delete", ("GET", 2): "read"}
    name = names.get((asked.method, len(asked.path)), "search-type")
    return f"{asked.path[0]}.{name}" if asked.path else ""


def _is_new(asked: Asked, handler: Handler) -> bool:
    return handler(replace(asked, method="GET", body=b"", headers={})).status in _GONE


def _without(asked: Asked, lacks: frozenset[str]) -> Asked:
    """The question as a server understands it that has never heard of what it lacks."""
    unheard = {"conditional-create": "if-none-exist", "version": "if-match"}
    dropped = {header for lack, header in unheard.items() if lack in lacks}
    headers = {name: value for name, value in asked.headers.items() if name not in dropped}
    return replace(asked, headers=headers, body=_body(asked.body, lacks))


def _body(body: bytes, lacks: frozenset[str]) -> bytes:
    resource = parse(body) if body.lstrip()[:1] == b"{" else None
    if not is_object(resource):
        return body
    return render(_each(resource, lambda entry: _stripped(entry, lacks)))


def _each(resource: Resource, change: Callable[[Resource], Resource]) -> Resource:
    """The resource changed, and what a Bundle holds."""
    if resource.get("resourceType") != "Bundle":
        return change(resource)
    return {**resource, "entry": [change(entry) for entry in resource.get("entry", [])]}


def _stripped(part: Resource, lacks: frozenset[str]) -> Resource:
    """A resource, or a Bundle's entry."""
    if is_object(request := part.get("request")):
        unheard = {"conditional-create": "ifNoneExist", "version": "ifMatch"}
        dropped = {name for lack, name in unheard.items() if lack in lacks}
        kept = {name: value for name, value in request.items() if name not in dropped}
        return {**part, "request": kept, "resource": _stripped(part.get("resource", {}), lacks)}
    if "identifier" in lacks and part.get("resourceType") in NAMELESS:
        return {name: value for name, value in part.items() if name != "identifier"}
    return part


def _versionless(answer: Answer) -> Answer:
    headers = {
        name: value for name, value in answer.headers.items() if name.lower() not in ("etag", "content-location")
    }
    headers = {name: value.partition("/_history/")[0] for name, value in headers.items()}
    shown = _unversioned(answer.resource) if answer.resource else None
    return replace(answer, resource=shown, headers=headers)


def _unversioned(value: Any) -> Any:
    if isinstance(value, list):
        return [_unversioned(inner) for inner in value]  # pyright: ignore[reportUnknownVariableType]
    if not is_object(value):
        return value
    kept = {name: _unversioned(inner) for name, inner in value.items() if name not in ("versionId", "etag")}
    return kept | ({"location": _plain(kept)} if "location" in kept else {})


def _plain(response: Mapping[str, Any]) -> str:
    return str(response["location"]).partition("/_history/")[0]


def _declared(answer: Answer, lacks: frozenset[str]) -> Answer:
    statement = answer.resource or {}
    (server,) = statement["rest"]
    types = [_declared_type(each, lacks) for each in server["resource"]]
    whole = [each for each in server["interaction"] if each["code"] not in lacks]
    return replace(answer, resource={**statement, "rest": [{**server, "resource": types, "interaction": whole}]})


def _declared_type(declared: Resource, lacks: frozenset[str]) -> Resource:
    kind = declared["type"]
    nameless = "identifier" in lacks and kind in NAMELESS
    return {
        **declared,
        "interaction": [each for each in declared["interaction"] if f"{kind}.{each['code']}" not in lacks],
        "searchParam": [each for each in declared["searchParam"] if not (nameless and each["name"] == "identifier")],
        "versioning": "no-version" if "version" in lacks else declared["versioning"],
        "updateCreate": "client-id" not in lacks,
        "conditionalCreate": "conditional-create" not in lacks,
    }


def _no(status: int, says: str) -> Answer:
    return Answer(status, operation_outcome([Issue("not-supported", says)]))
