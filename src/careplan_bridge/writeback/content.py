"""Does a stored definition say what was sent? Servers add to what they are given and write numbers their own way."""

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any, cast

import msgspec

SERVERS_OWN = {"id", "meta", "text"}


def holds(stored: Mapping[str, Any], sent: Mapping[str, Any]) -> bool:
    """Is everything we sent there, equal? What the server added is its own affair."""
    return all(_equal(stored.get(name), value) for name, value in sent.items() if name not in SERVERS_OWN)


def _equal(stored: Any, sent: Any) -> bool:
    if isinstance(sent, Mapping):
        return isinstance(stored, Mapping) and holds(cast("Mapping[str, Any]", stored), cast("Mapping[str, Any]", sent))
    if isinstance(sent, Sequence) and not isinstance(sent, str):
        return _equal_lists(stored, cast("Sequence[Any]", sent))
    return _plain(stored) == _plain(sent)


def _equal_lists(stored: Any, sent: Sequence[Any]) -> bool:
    if not isinstance(stored, list):
        return False
    others = cast("list[Any]", stored)
    return len(others) == len(sent) and all(map(_equal, others, sent))


def _plain(value: Any) -> Any:
    """Numbers by their value: 90, 90.0 and 9e1 are one."""
    if isinstance(value, msgspec.Raw):
        return Decimal(bytes(value).decode())
    return Decimal(value) if isinstance(value, int) and not isinstance(value, bool) else value
