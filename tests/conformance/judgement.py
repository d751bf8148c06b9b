"""Judges what the official validator says: no errors, and no kind of warning that nobody has explained.

A kind of warning is the validator's rule and its text, in which the parts that vary are left open. The kinds that
stand, each with the reason why it may, are listed in known_warnings.toml. Of the notes of severity `information` only
that about an extension nobody defined counts as a warning: ours must be published with their definitions.
"""

import json
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
CONTEXT_NEED_NOT_BE_A_PATH = "SD_CONTEXT_SHOULD_NOT_BE_FHIRPATH"


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
        messages = self._validator.messages(_answerable_offline(resource), profile)
        asked_for = [message for message in messages if message.id != CONTEXT_NEED_NOT_BE_A_PATH]
        return [*map(str, errors(asked_for)), *map(_as_new_kind, new_warnings(asked_for, self._known))]


def errors(messages: Iterable[Message]) -> list[Message]:
    return [message for message in messages if message.is_error]


def new_warnings(messages: Iterable[Message], known: Sequence[KnownWarning]) -> list[Message]:
    warnings = [said for said in messages if said.severity == "warning" or said.id == UNKNOWN_EXTENSION]
    return [message for message in warnings if not any(entry.covers(message) for entry in known)]


def _answerable_offline(resource: Mapping[str, Any] | str) -> Mapping[str, Any] | str:
    """The same resource, unless it defines an extension of elements.

    To look those elements up the validator would fetch a package and, without a network, check nothing else. Asked
    with the elements as paths it checks the rest. A wrong element still shows: as an error where the extension is used.
    """
    if isinstance(resource, str) and '"StructureDefinition"' not in resource:
        return resource
    document: Mapping[str, Any] = json.loads(resource) if isinstance(resource, str) else resource
    if document.get("resourceType") != "StructureDefinition" or "context" not in document:
        return resource
    contexts = [dict(c, type="fhirpath") if c.get("type") == "element" else c for c in document["context"]]
    return dict(document, context=contexts)


def _as_new_kind(message: Message) -> str:
    return (
        f"{message}\n"
        f"  This kind of warning is new. Mend the resource, or explain the warning in {KNOWN_WARNINGS.name}:\n"
        f"    [[warning]]\n    rule = '{message.id}'\n    text = '''{_one_line(message.text)}'''\n    because = '...'"
    )


def _one_line(text: str) -> str:
    return " ".join(text.split())
