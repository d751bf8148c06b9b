"""Searches that answer another question, and addresses that move."""

from dataclasses import replace
from urllib.parse import parse_qsl, urlencode

from careplan_bridge.sandbox.exchange import Answer, Asked, Handler, Misbehaviour
from careplan_bridge.sandbox.jsontext import Resource
from careplan_bridge.sandbox.misbehaviours.answers import asked_without, instead, with_resource
from careplan_bridge.sandbox.misbehaviours.kind import Kind, always
from careplan_bridge.sandbox.misbehaviours.requests import (
    is_create,
    is_first_page,
    is_further_page,
    is_post,
    is_search,
    is_write,
    searches,
)

_LATE = 6


def _by_identifier(asked: Asked) -> bool:
    return is_first_page(asked) and "identifier" in asked.query


def _ignoring(name: str) -> Misbehaviour:
    """As if the parameter were not there: everything comes, whoever it is about."""

    def misbehave(asked: Asked, handler: Handler) -> Answer:
        kept = [(key, value) for key, value in parse_qsl(asked.query) if key != name]
        return handler(replace(asked, query=urlencode(kept)))

    return misbehave


def _in_other_letters(page: Resource) -> Resource:
    """Beside each hit another resource whose identifier is the same but for capital letters."""
    twins = [_twin(entry) for entry in page.get("entry", [])]
    return {**page, "entry": [*page.get("entry", []), *twins], "total": page.get("total", 0) + len(twins)}


def _twin(entry: Resource) -> Resource:
    resource = entry["resource"]
    identifiers = [{**each, "value": each["value"].upper()} for each in resource.get("identifier", [])]
    return {**entry, "resource": {**resource, "id": f"{resource['id']}-twin", "identifier": identifiers}}


def _nothing_found(page: Resource) -> Resource:
    kept = {name: value for name, value in page.items() if name not in {"entry", "link"}}
    return {**kept, "total": 0}


def _late_index() -> Misbehaviour:
    """What was created is found by searches only some searches later; a conditional create does not find it either."""
    hidden: dict[str, int] = {}

    def misbehave(asked: Asked, handler: Handler) -> Answer:
        if is_create(asked) or (is_post(asked) and not asked.path):
            answer = asked_without("if-none-exist")(asked, handler)
            hidden.update(dict.fromkeys(_created(answer), _LATE))
            return answer
        if not is_search(asked):
            return handler(asked)
        answer = with_resource(lambda page: _without(page, hidden))(asked, handler)
        for name in list(hidden):
            hidden[name] -= 1
            if not hidden[name]:
                del hidden[name]
        return answer

    return misbehave


def _created(answer: Answer) -> list[str]:
    made = answer.resource or {}
    one = [f"{made['resourceType']}/{made['id']}"] if "id" in made else []
    locations = [entry.get("response", {}).get("location", "") for entry in made.get("entry", [])]
    return [*one, *("/".join(location.split("/")[:2]) for location in locations if location)]


def _without(page: Resource, hidden: dict[str, int]) -> Resource:
    kept = [e for e in page.get("entry", []) if f"{e['resource']['resourceType']}/{e['resource']['id']}" not in hidden]
    total = {"total": len(kept)} if "total" in page else {}
    return {**page, "entry": kept, **total}


def _redirect_here(asked: Asked, handler: Handler) -> Answer:
    if "_moved=1" in asked.query:
        return handler(replace(asked, query=asked.query.replace("&_moved=1", "")))
    return Answer(307, headers={"Location": f"{asked.base}/{'/'.join(asked.path)}?{asked.query}&_moved=1"})


def _redirect_to(location: str, status: int = 307) -> Misbehaviour:
    return lambda _asked, _handler: Answer(status, headers={"Location": location})


def _to_itself(asked: Asked, _handler: Handler) -> Answer:
    return Answer(302, headers={"Location": f"{asked.base}/{'/'.join(asked.path)}?{asked.query}"})


ELSEWHERE = "https://elsewhere.example.org/fhir/Observation"

KINDS = (
    Kind(
        "search-ignores-patient",
        "A server that drops the patient from a search: everybody's data.",
        always(searches("Observation"), _ignoring("patient")),
    ),
    Kind(
        "search-ignores-identifier",
        "A server that drops the identifier from a search: everything of the type.",
        always(is_first_page, _ignoring("identifier")),
    ),
    Kind(
        "search-ignores-case",
        "A server that finds identifiers in any case: another resource comes beside ours.",
        always(_by_identifier, with_resource(_in_other_letters)),
    ),
    Kind(
        "search-ignores-all",
        "A server that drops every filter and says so in its self link.",
        always(searches("Observation"), lambda asked, handler: handler(replace(asked, query=""))),
    ),
    Kind(
        "search-finds-nothing", "A server whose index was lost.", always(is_first_page, with_resource(_nothing_found))
    ),
    Kind("index-late", "What was written is found a while later only.", _late_index),
    Kind(
        "if-none-exist-ignored",
        "A server that creates whatever is there already.",
        always(is_create, asked_without("if-none-exist")),
    ),
    Kind(
        "search-refused",
        "A server that refuses the identifier parameter.",
        always(_by_identifier, instead(400, "not-supported")),
    ),
    Kind("redirect-same-origin", "A server that has moved to another path.", always(is_first_page, _redirect_here)),
    Kind(
        "redirect-other-origin",
        "A server that sends readers to another host.",
        always(is_first_page, _redirect_to(ELSEWHERE)),
    ),
    Kind("redirect-loop", "A redirect to where one came from.", always(is_first_page, _to_itself)),
    Kind("redirect-page", "Pages that lie on another host.", always(is_further_page, _redirect_to(ELSEWHERE, 302))),
    Kind(
        "redirect-write", "A server that sends writers to another host.", always(is_write, _redirect_to(ELSEWHERE, 308))
    ),
)
