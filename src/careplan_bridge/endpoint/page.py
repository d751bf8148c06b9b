"""One page of a search, taken apart entry by entry: what matched, what came along, and what the server says of it.

A server that ignores a parameter answers with everybody's data, and one that leaves something out says so, if at all,
in an entry. So each hit is held against the question again, and whatever speaks against completeness is a doubt.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import parse_qsl, urlsplit

from careplan_bridge.endpoint.http import Params
from careplan_bridge.endpoint.issues import Issue, issues_of
from careplan_bridge.endpoint.question import narrows, same_value
from careplan_bridge.endpoint.untrusted import an_object, objects, text

# Warnings of these kinds mean that something may be missing; others are only shown.
_LEFT_OUT = {
    "suppressed",
    "incomplete",
    "too-costly",
    "throttled",
    "timeout",
    "transient",
    "exception",
    "not-supported",
    "no-store",
    "lock-error",
}


@dataclass(frozen=True, slots=True)
class Page:
    """`next` and `itself` are the links as written, empty where there is none; `total` counts matches, where given."""

    matches: tuple[dict[str, Any], ...] = field(repr=False)
    included: tuple[dict[str, Any], ...] = field(repr=False)
    issues: tuple[Issue, ...]
    doubts: tuple[str, ...]
    next: str = field(repr=False)
    itself: str = field(repr=False)
    total: int | None


def page_of(bundle: Mapping[str, Any], kind: str) -> Page:
    """The page in a searchset Bundle; `kind` is the type that was searched."""
    entries = [(an_object(entry.get("resource")), _mode(entry, kind)) for entry in objects(bundle.get("entry"))]
    issues = tuple(issue for resource, mode in entries if mode == "outcome" for issue in issues_of(resource))
    total = bundle.get("total")
    return Page(
        matches=tuple(resource for resource, mode in entries if mode == "match" and resource),
        included=tuple(resource for resource, mode in entries if mode == "include" and resource),
        issues=issues,
        doubts=(*_about_entries(entries, kind), *_about_issues(issues)),
        next=_link(bundle, "next"),
        itself=_link(bundle, "self"),
        total=total if isinstance(total, int) else None,
    )


def about_self(page: Page, params: Params) -> str:
    """What the self link tells of a question that was understood otherwise; empty where it agrees or says nothing."""
    answered = parse_qsl(urlsplit(page.itself).query, keep_blank_values=True)
    if not answered:
        return ""
    dropped = [name for name, value in _filters(params) if not _answers(name, value, answered)]
    asked = {_plain(name) for name, _ in params}
    added = [_plain(name) for name, _ in answered if narrows(_plain(name)) and _plain(name) not in asked]
    if dropped:
        return f"the server did not search by {', '.join(dropped)}"
    return f"the server also filtered by {', '.join(added)}" if added else ""


def _filters(params: Params) -> Iterable[tuple[str, str]]:
    return ((name, value) for name, value in params if name == "_id" or not name.startswith("_"))


def _answers(name: str, value: str, answered: Params) -> bool:
    return any(_plain(other) == _plain(name) and same_value(value, theirs) for other, theirs in answered)


def _plain(name: str) -> str:
    return name.partition(":")[0]


def _mode(entry: Mapping[str, Any], kind: str) -> str:
    """match, include or outcome; where the server does not say, the type tells."""
    said = text(an_object(entry.get("search")), "mode")
    own = text(an_object(entry.get("resource")), "resourceType")
    if said in {"match", "include", "outcome"}:
        return said
    return "match" if own == kind else "outcome" if own == "OperationOutcome" else "include"


def _about_entries(entries: Iterable[tuple[dict[str, Any], str]], kind: str) -> Iterable[str]:
    for resource, mode in entries:
        if mode == "match" and text(resource, "resourceType") != kind:
            yield "an entry of a page holds no resource of the type searched for"


def _about_issues(issues: Iterable[Issue]) -> Iterable[str]:
    for issue in issues:
        if issue.severity in {"fatal", "error"} or (issue.severity == "warning" and issue.code in _LEFT_OUT):
            yield f"the server notes: {issue}"


def _link(bundle: Mapping[str, Any], relation: str) -> str:
    return next((text(link, "url") for link in objects(bundle.get("link")) if link.get("relation") == relation), "")
