"""Searches whose pages cannot be trusted."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any
from urllib.parse import parse_qsl, urlencode, urlsplit

from careplan_bridge.sandbox.exchange import Answer, Asked, Handler, Misbehaviour
from careplan_bridge.sandbox.jsontext import Resource
from careplan_bridge.sandbox.misbehaviours.answers import instead, with_resource
from careplan_bridge.sandbox.misbehaviours.kind import Kind, always
from careplan_bridge.sandbox.misbehaviours.requests import is_first_page, is_further_page, is_search, searches
from careplan_bridge.sandbox.outcome import Issue, operation_outcome

MANY = 1200
_ABOUT_OBSERVATIONS = searches("Observation")


def link(page: Resource, relation: str) -> str:
    return next((str(each["url"]) for each in page.get("link", []) if each["relation"] == relation), "")


def linked(page: Resource, relation: str, url: str) -> Resource:
    """The page with this link in the place of the one it has; without it, where `url` is empty."""
    others = [each for each in page.get("link", []) if each["relation"] != relation]
    return {**page, "link": [*others, *([{"relation": relation, "url": url}] if url else [])]}


def _next(change: Callable[[str], str]) -> Misbehaviour:
    """The next link changed, on pages that have one."""
    return with_resource(lambda page: linked(page, "next", change(link(page, "next"))) if link(page, "next") else page)


def _next_is(address: str) -> Misbehaviour:
    return _next(lambda _: address)


def _to_itself(page: Resource) -> Resource:
    return linked(page, "next", link(page, "self"))


def _in_a_circle() -> Misbehaviour:
    """The last page leads back to the first."""
    start = ""

    def misbehave(asked: Asked, handler: Handler) -> Answer:
        nonlocal start
        answer = handler(asked)
        if not is_search(asked) or answer.resource is None:
            return answer
        start = link(answer.resource, "self") if is_first_page(asked) else start
        onward = link(answer.resource, "next") or start
        return replace(answer, resource=linked(answer.resource, "next", onward))

    return misbehave


def _without_entries(page: Resource) -> Resource:
    return {name: value for name, value in page.items() if name != "entry"}


def _another_empty_one() -> Misbehaviour:
    """After the last page there is one more, with nothing on it."""

    def misbehave(asked: Asked, handler: Handler) -> Answer:
        if asked.query == "_page=nothing":
            return Answer(200, {"resourceType": "Bundle", "type": "searchset"})
        answer = handler(asked)
        page = answer.resource
        if not _is_last(asked, page):
            return answer
        return replace(answer, resource=linked(page or {}, "next", f"{asked.base}?_page=nothing"))

    return misbehave


def _is_last(asked: Asked, page: Resource | None) -> bool:
    return is_search(asked) and page is not None and page.get("type") == "searchset" and not link(page, "next")


def _entries(change: Callable[[list[Any]], list[Any]]) -> Misbehaviour:
    return with_resource(lambda page: {**page, "entry": change(page.get("entry", []))} if page.get("entry") else page)


def _outcome(severity: str, code: str) -> Misbehaviour:
    issue = {"severity": severity, "code": code, "diagnostics": "switched on in the sandbox"}
    entry = {"resource": {"resourceType": "OperationOutcome", "issue": [issue]}, "search": {"mode": "outcome"}}
    return _entries(lambda entries: [*entries, entry])


def _shifted() -> Misbehaviour:
    """Each further page begins one entry late, as when something before it was deleted between the two requests."""
    return always(is_further_page, _entries(lambda entries: entries[1:]))()


def _repeating() -> Misbehaviour:
    """Each further page begins with the last entry of the one before, as when something was added between the two."""
    last: list[Any] = []

    def misbehave(asked: Asked, handler: Handler) -> Answer:
        answer = handler(asked)
        if not is_search(asked) or answer.resource is None or not answer.resource.get("entry"):
            return answer
        entries = [*(last if is_further_page(asked) else []), *answer.resource["entry"]]
        last[:] = entries[-1:]
        return replace(answer, resource={**answer.resource, "entry": entries})

    return misbehave


def _many() -> Misbehaviour:
    """One Observation a page, all of them versions of the first one under ids of their own."""
    model: dict[str, Any] = {}

    def misbehave(asked: Asked, handler: Handler) -> Answer:
        if _ABOUT_OBSERVATIONS(asked):
            answer = handler(asked)
            model.update((answer.resource or {}).get("entry", [{}])[0])
            return _page_of_many(asked, model, 1)
        if asked.query.startswith("_page=many-"):
            return _page_of_many(asked, model, int(asked.query.rpartition("-")[2]))
        return handler(asked)

    return misbehave


def _page_of_many(asked: Asked, model: dict[str, Any], number: int) -> Answer:
    resource = {**model["resource"], "id": f"many-{number}"}
    page = {"resourceType": "Bundle", "type": "searchset", "entry": [{**model, "resource": resource}]}
    onward = f"{asked.base}?_page=many-{number + 1}" if number < MANY else ""
    return Answer(200, linked(page, "next", onward))


def _self_without(name: str) -> Callable[[Resource], Resource]:
    def change(page: Resource) -> Resource:
        where, _, query = link(page, "self").partition("?")
        kept = [(key, value) for key, value in parse_qsl(query) if key != name]
        return linked(page, "self", f"{where}?{urlencode(kept)}")

    return change


def _self_with(name: str, value: str) -> Callable[[Resource], Resource]:
    return lambda page: linked(page, "self", f"{link(page, 'self')}&{name}={value}")


def _total(change: int) -> Callable[[Resource], Resource]:
    return lambda page: {**page, "total": page.get("total", 0) + change}


def _without_total(page: Resource) -> Resource:
    return {name: value for name, value in page.items() if name != "total"}


def _relative(url: str) -> str:
    parts = urlsplit(url)
    return f"{parts.path}?{parts.query}"


def _said_nothing(entries: list[Any]) -> list[Any]:
    return [{name: value for name, value in entry.items() if name != "search"} for entry in entries]


def _with_others(entries: list[Any]) -> list[Any]:
    patient = {"resourceType": "Patient", "id": "came-along"}
    return [*entries, {"resource": patient, "search": {"mode": "include"}}]


_GONE = operation_outcome([Issue("not-found", "this page is no longer kept")])

_ASTRAY = (
    ("next-foreign", "Next links to another host.", "https://elsewhere.example.org/fhir?_page=1"),
    ("next-other-port", "Next links to another port of the same host.", "http://127.0.0.1:9/fhir?_page=1"),
    ("next-unreadable", "Next links that are no addresses.", "http://[not-an-address"),
)
KINDS = (
    Kind("next-to-itself", "A page whose next link is its own address.", always(is_search, with_resource(_to_itself))),
    Kind("next-in-a-circle", "Pages that lead back to the first.", _in_a_circle),
    Kind(
        "next-expired",
        "Pages that the server has forgotten by the time they are asked for.",
        always(is_further_page, instead(410, "not-found")),
    ),
    Kind("next-unknown", "Next links that lead nowhere.", always(is_further_page, instead(404, "not-found"))),
    Kind("next-broken", "Pages that crash the server.", always(is_further_page, instead(500))),
    Kind(
        "next-forbidden",
        "Pages that another login would be allowed to see.",
        always(is_further_page, instead(403, "forbidden")),
    ),
    Kind("next-relative", "Next links without scheme and host.", always(is_search, _next(_relative))),
    *(Kind(name, says, always(is_search, _next_is(address))) for name, says, address in _ASTRAY),
    Kind(
        "next-missing-with-total",
        "A first page without its next link; the total tells.",
        always(is_search, _next_is("")),
    ),
    Kind(
        "next-missing",
        "A first page without its next link, and no total: nothing shows that there is more.",
        always(
            is_search,
            lambda asked, handler: with_resource(_without_total)(asked, lambda each: _next_is("")(each, handler)),
        ),
    ),
    Kind("last-page-empty", "A last page with nothing on it.", _another_empty_one),
    Kind(
        "further-pages-empty",
        "Further pages that have lost their entries.",
        always(is_further_page, with_resource(_without_entries)),
    ),
    Kind("pages-skip", "Something was deleted between two pages: one entry falls between them.", _shifted),
    Kind("pages-repeat", "Something was added between two pages: one entry comes twice.", _repeating),
    Kind("entries-twice", "Every entry comes twice.", always(is_search, _entries(lambda entries: entries + entries))),
    Kind(
        "outcome-information",
        "A note of the server among the entries.",
        always(is_search, _outcome("information", "informational")),
    ),
    Kind(
        "outcome-suppressed", "A note that entries were left out.", always(is_search, _outcome("warning", "suppressed"))
    ),
    Kind(
        "outcome-error", "A note that a part of the search failed.", always(is_search, _outcome("error", "exception"))
    ),
    Kind(
        "entries-without-mode",
        "Entries that do not say why they are there.",
        always(is_search, _entries(_said_nothing)),
    ),
    Kind(
        "entries-of-other-type",
        "Resources that nobody asked for come along.",
        always(is_search, _entries(_with_others)),
    ),
    Kind(
        "entries-without-resource",
        "Entries that hold nothing.",
        always(is_search, _entries(lambda entries: [*entries, {"search": {"mode": "match"}}])),
    ),
    Kind(
        "total-too-high", "A total that counts what the login may not see.", always(is_search, with_resource(_total(3)))
    ),
    Kind("total-too-low", "A total that is an estimate.", always(is_search, with_resource(_total(-1)))),
    Kind("total-missing", "No total.", always(is_search, with_resource(_without_total))),
    Kind(
        "self-without-patient",
        "A self link that shows that the patient was not looked at.",
        always(_ABOUT_OBSERVATIONS, with_resource(_self_without("patient"))),
    ),
    Kind(
        "self-with-category",
        "A self link that shows a filter nobody asked for.",
        always(_ABOUT_OBSERVATIONS, with_resource(_self_with("category", "exam"))),
    ),
    Kind("self-missing", "No self link.", always(is_search, with_resource(lambda page: linked(page, "self", "")))),
    Kind("pages-1200", "Twelve hundred pages of one entry each.", _many),
)
