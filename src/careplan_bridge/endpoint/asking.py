"""What is asked of a server, and what it answered."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, cast

from careplan_bridge.endpoint.bodies import decoded, names_stand_twice
from careplan_bridge.endpoint.outcomes import Trouble, error_for


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """One request. `what` is all that messages and logs say of it; `body` is made anew for every try."""

    method: str
    url: str = field(repr=False)
    what: str
    body: Callable[[], bytes] | None = field(default=None, repr=False)
    headers: Mapping[str, str] = field(default_factory=dict[str, str], repr=False)
    writes: bool = False
    login: bool = True


@dataclass(frozen=True, slots=True)
class Reply:
    """A status below 300 with what came along; header names in lower case."""

    status: int
    headers: Mapping[str, str] = field(repr=False)
    body: bytes = field(repr=False)
    url: str = field(repr=False)
    ask: Ask

    def content(self) -> dict[str, Any] | None:
        """The JSON object of the body, numbers as written (I3); None where there is none."""
        value = decoded(self.body)
        return cast("dict[str, Any]", value) if isinstance(value, dict) else None

    def resource(self) -> dict[str, Any]:
        """The resource in the body. Raises Refused (after a read) or AnswerLost (after a write) where there is none."""
        content = self.content()
        if content is None or not isinstance(content.get("resourceType"), str):
            raise error_for(self.ask.what, Trouble.UNREADABLE, writes=self.ask.writes)
        if names_stand_twice(self.body):
            raise error_for(self.ask.what, Trouble.TWO_MEANINGS, writes=self.ask.writes)
        return content
