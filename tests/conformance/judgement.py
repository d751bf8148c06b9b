"""Judges what the official validator says: no errors, and no kind of warning that nobody has explained.

A kind of warning is the validator's rule and its text, in which the parts that vary are left open. The kinds that
stand, each with the reason why it may, are listed in known_warnings.toml. Of the notes of severity `information` only
that about an extension nobody defined counts as a warning: ours must be published with their definitions.
"""

import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.conformance.validator import Message, Validator

KNOWN_WARNINGS = Path(__file__).with_name("known_warnings.toml")
OPEN = "<*>"
UNKNOWN_EXTENSION = "Extension_EXT_Unknown"


@dataclass(frozen=True, slots=True)
class KnownWarning:
    """A kind of warning that may stand: rule, text with `<*>` for what varies, and why it may stand."""

    rule: str
    text: str
    because: str

    def covers(self, message: Message) -> bool:
        pattern = ".*".join(re.escape(part) for part in self.text.split(OPEN))
        return self.rule == message.id and re.fullmatch(pattern, _one_line(message.text)) is not None


def known_warnings(path: Path = KNOWN_WARNINGS) -> list[KnownWarning]:
    """The list, read from its file; an entry without a reason is refused."""
    entries = [KnownWarning(**entry) for entry in tomllib.loads(path.read_text(encoding="utf-8"))["warning"]]
    unexplained = [entry for entry in entries if not entry.because.strip()]
    if unexplained:
        raise ValueError(f"{path.name}: these warnings have no `because`: {unexplained}")
    return entries


class Judge:
    """Call it with a resource (a mapping, or JSON text kept as it is) and, if wanted, a profile's canonical URL."""

    def __init__(self, validator: Validator, known: Sequence[KnownWarning]) -> None:
        self._validator = validator
        self._known = known

    def __call__(self, resource: Mapping[str, Any] | str, profile: str | None = None) -> None:
        """Return if the resource may be published as it is; an AssertionError says everything that is wrong."""
        __tracebackhide__ = True
        verdict = self.objections(resource, profile)
        if verdict:
            raise AssertionError("\n".join(verdict))

    def objections(self, resource: Mapping[str, Any] | str, profile: str | None = None) -> list[str]:
        """What speaks against the resource: each error, and each warning whose kind is not in the list."""
        messages = self._validator.messages(resource, profile)
        return [*map(str, errors(messages)), *map(_as_new_kind, new_warnings(messages, self._known))]


def errors(messages: Iterable[Message]) -> list[Message]:
    return [message for message in messages if message.is_error]


def new_warnings(messages: Iterable[Message], known: Sequence[KnownWarning]) -> list[Message]:
    warnings = [said for said in messages if said.severity == "warning" or said.id == UNKNOWN_EXTENSION]
    return [message for message in warnings if not any(entry.covers(message) for entry in known)]


def _as_new_kind(message: Message) -> str:
    return (
        f"{message}\n"
        f"  This kind of warning is new. Mend the resource, or explain the warning in {KNOWN_WARNINGS.name}:\n"
        f"    [[warning]]\n    rule = '{message.id}'\n    text = '''{_one_line(message.text)}'''\n    because = '...'"
    )


def _one_line(text: str) -> str:
    return " ".join(text.split())
