"""A search over all its pages; what was found, and whether that is all there is (I4).

Next links are followed byte for byte and one after another. Whatever speaks against completeness ends up in `why`: a
page that failed, a circle, a link elsewhere, a filter that was ignored, fewer entries than the server counted.
"""

from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field
from typing import Any

from careplan_bridge.endpoint.asking import Reply
from careplan_bridge.endpoint.http import Client, Params
from careplan_bridge.endpoint.issues import Issue
from careplan_bridge.endpoint.origin import resolve
from careplan_bridge.endpoint.outcomes import Refused
from careplan_bridge.endpoint.page import Page, about_self, page_of
from careplan_bridge.endpoint.question import answers
from careplan_bridge.endpoint.untrusted import text
from careplan_bridge.endpoint.versions import which_version
from careplan_bridge.errors import BridgeError

# A server that does not know a parameter shall say so instead of answering with everything.
STRICT = "handling=strict"


@dataclass(frozen=True, slots=True)
class Found:
    """`resources`: the matches as they came (I3), each version once. `why` says what speaks against `complete`."""

    resources: tuple[dict[str, Any], ...] = field(repr=False)
    complete: bool
    why: str
    pages: int
    included: tuple[dict[str, Any], ...] = field(default=(), repr=False)
    issues: tuple[Issue, ...] = ()


def search(
    client: Client, kind: str, params: Params, *, page_size: int | None = None, max_pages: int | None = None
) -> Found:
    """Search for resources of a type. A later page that fails makes the result incomplete.

    Raises Refused, LoginRefused or EndpointDown where already the first page fails: then nothing is known.
    """
    limits = client.endpoint.limits
    walk = _Walk(client, kind, params, max_pages or limits.pages)
    walk.through([*params, ("_count", str(page_size or limits.page_size))])
    return walk.found()


@dataclass(slots=True)
class _Walk:
    """The way through the pages: what was gathered so far."""

    client: Client
    kind: str
    params: Params
    limit: int
    pages: int = 0
    total: int | None = None
    doubts: list[str] = field(default_factory=list[str])
    hits: dict[Hashable, dict[str, Any]] = field(default_factory=dict[Hashable, dict[str, Any]])
    included: dict[Hashable, dict[str, Any]] = field(default_factory=dict[Hashable, dict[str, Any]])
    issues: list[Issue] = field(default_factory=list[Issue])
    seen: set[Hashable] = field(default_factory=set[Hashable])

    def through(self, params: Params) -> None:
        reply = self._first(params)
        while reply is not None:
            page = self._page(reply)
            url = self._onward(page, reply.url) if page else ""
            reply = self._next(url) if url else None

    def found(self) -> Found:
        if not self.doubts and self.total is not None and len(self._distinct()) < self.total:
            self._doubt(f"the server counted {self.total} and gave {len(self._distinct())}")
        why = "; ".join(dict.fromkeys(self.doubts))
        hits, included = tuple(self.hits.values()), tuple(self.included.values())
        return Found(hits, not self.doubts, why, self.pages, included, tuple(self.issues))

    def _first(self, params: Params) -> Reply:
        ask = self.client.search_by_post if self.client.endpoint.search == "post" else self.client.get
        return ask(self.kind, params, what=self.kind, prefer=STRICT)

    def _next(self, url: str) -> Reply | None:
        self.seen.add(url)
        try:
            return self.client.follow(url, what=f"{self.kind}, page {self.pages + 1}", prefer=STRICT)
        except BridgeError as error:
            return self._doubt(str(error))

    def _page(self, reply: Reply) -> Page | None:
        """The page in a reply; None ends the walk. The first page fails with an error, a later one with a doubt."""
        try:
            page = page_of(_bundle(reply), self.kind)
        except Refused as refused:
            if not self.pages:
                raise
            return self._doubt(str(refused))
        self.pages += 1
        return page

    def _onward(self, page: Page, asked: str) -> str:
        """Take the page in and give the address of the next one; empty ends the walk."""
        stop = self._already_seen(page) or (self.pages == 1 and about_self(page, self.params)) or self._gather(page)
        if stop:
            self._doubt(stop)
            return ""
        return self._link(page, asked)

    def _gather(self, page: Page) -> str:
        """Keep what the page brought; says why the walk must end at once, if it must."""
        self.total = page.total if self.pages == 1 else self.total
        self.issues += page.issues
        self.doubts += page.doubts
        self.included |= {which_version(resource): resource for resource in page.included}
        for resource in page.matches:
            # Going on would fetch data of everybody else.
            if not answers(resource, self.params, self.client.base):
                return "the server gave entries that were not asked for: it ignores a part of the question"
            self.hits.setdefault(which_version(resource), resource)
        return ""

    def _link(self, page: Page, asked: str) -> str:
        url = resolve(page.next, asked=asked, base=self.client.base) if page.next else ""
        if url in self.seen:
            return self._doubt("the server's pages lead in a circle") or ""
        if url and self.pages >= self.limit:
            return self._doubt(f"there are more than {self.limit} pages") or ""
        return url

    def _already_seen(self, page: Page) -> str:
        """Some servers give the same page under ever new addresses. Empty pages are no sign: they do occur."""
        keys = tuple(which_version(resource) for resource in page.matches)
        if keys and keys in self.seen:
            return "the server gave the same page twice"
        self.seen.add(keys)
        return ""

    def _distinct(self) -> set[Hashable]:
        return {text(resource, "id") or key for key, resource in self.hits.items()}

    def _doubt(self, why: str) -> None:
        self.doubts.append(why)


def _bundle(reply: Reply) -> Mapping[str, Any]:
    bundle = reply.resource()
    if bundle["resourceType"] != "Bundle" or text(bundle, "type") not in {"searchset", ""}:
        raise Refused(f"{reply.ask.what}: the server answered with another thing than the result of a search")
    return bundle
