"""SMART scopes of version 1 and 2: which of those asked for were not granted."""

import re
from collections.abc import Iterable

_SCOPE = re.compile(r"(?P<who>patient|user|system)/(?P<type>\*|[A-Z][A-Za-z]+)\.(?P<what>\*|read|write|[cruds]+)")
_LETTERS = {"read": "rs", "write": "cud", "*": "cruds"}

Rights = frozenset[tuple[str, str, str]]


def missing_scopes(asked: Iterable[str], granted: object) -> tuple[str, ...]:
    """Scopes asked for that the answer does not cover. An answer without `scope` granted all that was asked (RFC 6749)."""
    if not isinstance(granted, str):
        return ()
    has = frozenset[tuple[str, str, str]]().union(*map(_rights, granted.split()))
    return tuple(scope for scope in asked if not _covered(_rights(scope), has))


def _covered(wanted: Rights, has: Rights) -> bool:
    return all(right in has or (right[0], "*", right[2]) in has for right in wanted)


def _rights(scope: str) -> Rights:
    """(level, type, letter) for each thing the scope allows; a scope of another kind stands for itself alone.

    So does one with a query (`system/Observation.rs?category=…`), as it grants less than the type.
    """
    match = _SCOPE.fullmatch(scope)
    if match is None:
        return frozenset({(scope, "", "")})
    letters = _LETTERS.get(match["what"], match["what"])
    return frozenset((match["who"], match["type"], letter) for letter in letters)
