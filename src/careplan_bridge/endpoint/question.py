"""Does a resource answer the question that was asked? Held against every hit, as servers ignore what they do not know."""

import re
from collections.abc import Callable, Mapping
from typing import Any

from careplan_bridge.endpoint.http import Params
from careplan_bridge.endpoint.untrusted import an_object, objects, text

_REFERENCE = re.compile(r"(?P<ref>[A-Z][A-Za-z]+/[A-Za-z0-9\-.]{1,64})(?:/_history/.*)?")
_COMMA = re.compile(r"(?<!\\),")
# A filter that nobody asked for and that leaves something out.
_NARROWING = {"category", "code", "date", "status"}


def answers(resource: Mapping[str, Any], params: Params, base: str) -> bool:
    """Is the hit about the patient, identifier and id that were asked for? Other parameters are not looked at."""
    return all(check(resource, value, base) for name, value in params if (check := _CHECKS.get(name)))


def same_value(asked: str, answered: str) -> bool:
    """Are two spellings of a parameter's value the same? Servers write `Patient/1` as `1` and back."""
    return asked == answered or _last(asked) == _last(answered) != ""


def narrows(name: str) -> bool:
    return name in _NARROWING


def _last(value: str) -> str:
    return value.rpartition("/")[2] if "|" not in value else ""


def _is_about(resource: Mapping[str, Any], value: str, base: str) -> bool:
    """By a literal reference only: what names its subject in another way cannot be held against the question."""
    subject = an_object(resource.get("subject")) or an_object(resource.get("patient"))
    wanted = value if "/" in value else f"Patient/{value}"
    return _relative(text(subject, "reference"), base) == _relative(wanted, base)


def _relative(reference: str, base: str) -> str:
    """`Type/id` without base and version. Another server's Patient/1 is another person: it stays absolute."""
    match = _REFERENCE.fullmatch(reference.removeprefix(f"{base}/"))
    return match["ref"] if match else reference


def _has_identifier(resource: Mapping[str, Any], value: str, _: str) -> bool:
    identifiers = objects(resource.get("identifier")) or [an_object(resource.get("identifier"))]
    return any(_is_token(identifier, token) for identifier in identifiers for token in _COMMA.split(value))


def _is_token(identifier: Mapping[str, Any], token: str) -> bool:
    system, bar, value = token.rpartition("|")
    return text(identifier, "value") == value and (not bar or text(identifier, "system") == system)


def _has_id(resource: Mapping[str, Any], value: str, _: str) -> bool:
    return text(resource, "id") in value.split(",")


_CHECKS: Mapping[str, Callable[[Mapping[str, Any], str, str], bool]] = {
    "patient": _is_about,
    "subject": _is_about,
    "identifier": _has_identifier,
    "_id": _has_id,
}
