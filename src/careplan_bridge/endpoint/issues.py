"""What an OperationOutcome says, split into what may be shown anywhere and what may hold identifiers.

Servers quote names, identifiers and whole URLs in `diagnostics` and `details`. A message shows severity, code and
element only; the rest stays on the issue for whoever asks for it on purpose (I6).
"""

import re
from dataclasses import dataclass
from typing import Any

from careplan_bridge.endpoint.untrusted import a_list, an_object, objects, text

LONGEST_ELEMENT = 200

_WORD = re.compile(r"[a-z][a-z_-]{0,39}")
# HAPI writes `Bundle.entry[0].resource/*Patient/17*/.name`: the comment names the person.
_COMMENT = re.compile(r"/\*.*?\*/")
_STEP = r"[A-Za-z]+(?:\([A-Za-z]*\))?(?:\[\d{1,4}\])?"
_ELEMENT = re.compile(rf"{_STEP}(?:\.{_STEP})*")


@dataclass(frozen=True, slots=True)
class Issue:
    """One issue. `severity`, `code` and `element` are safe to show; `text` may hold identifiers."""

    severity: str
    code: str
    element: str = ""
    text: str = ""

    def __str__(self) -> str:
        place = f" at {self.element}" if self.element else ""
        return f"{self.severity}, {self.code}{place}"


def issues_of(content: object) -> tuple[Issue, ...]:
    """The issues of an OperationOutcome or an OAuth error; else none. Badly built issues are read as far as they go."""
    answer = an_object(content)
    if text(answer, "resourceType") == "OperationOutcome":
        return tuple(map(_issue, objects(answer.get("issue"))))
    # A token endpoint: OAuth 2.0 has one word for it.
    return (Issue("error", _word(text(answer, "error"))),) if text(answer, "error") else ()


def _issue(issue: dict[str, Any]) -> Issue:
    return Issue(_word(text(issue, "severity")), _word(text(issue, "code")), _element(issue), _text(issue))


def _element(issue: dict[str, Any]) -> str:
    places = [*a_list(issue.get("expression")), *a_list(issue.get("location"))]
    path = _COMMENT.sub("", places[0]) if places and isinstance(places[0], str) else ""
    return path if len(path) <= LONGEST_ELEMENT and _ELEMENT.fullmatch(path) else ""


def _text(issue: dict[str, Any]) -> str:
    return "; ".join(filter(None, (text(issue, "diagnostics"), text(an_object(issue.get("details")), "text"))))


def _word(value: str) -> str:
    return value if _WORD.fullmatch(value) else "unknown"
