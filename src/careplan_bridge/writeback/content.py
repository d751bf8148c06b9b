"""Does a stored resource say what was sent? Servers add to what they are given, write numbers their own way, and turn lists about."""

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any, cast

import msgspec

SERVERS_OWN = {"id", "meta", "text"}
# Lists in which no place comes before another. All others (actions, items, steps, concepts as they are shown) are read in their order.
UNORDERED = {
    "addresses", "author", "category", "coding", "contact", "contributor", "goal", "identifier", "instantiatesCanonical",
    "jurisdiction", "outcomeReference", "performer", "topic", "useContext",
}  # fmt: skip


def holds(stored: Mapping[str, Any], sent: Mapping[str, Any]) -> bool:
    """Is everything we sent there, equal? What the server added is its own affair."""
    return all(
        _equal(stored.get(name), value, ordered=name not in UNORDERED)
        for name, value in sent.items()
        if name not in SERVERS_OWN
    )


def _equal(stored: Any, sent: Any, *, ordered: bool = True) -> bool:
    if isinstance(sent, Mapping):
        return isinstance(stored, Mapping) and holds(cast("Mapping[str, Any]", stored), cast("Mapping[str, Any]", sent))
    if isinstance(sent, Sequence) and not isinstance(sent, str):
        return _equal_lists(stored, cast("Sequence[Any]", sent), ordered=ordered)
    return _plain(stored) == _plain(sent)


def _equal_lists(stored: Any, sent: Sequence[Any], *, ordered: bool) -> bool:
    if not isinstance(stored, list):
        return False
    others = cast("list[Any]", stored)
    if len(others) != len(sent):
        return False
    return all(map(_equal, others, sent)) if ordered else _has_each(others, sent)


def _has_each(others: Sequence[Any], sent: Sequence[Any]) -> bool:
    """Is there a member of its own for each that was sent? They are few."""
    if not sent:
        return True
    first, *more = sent
    found = (place for place, other in enumerate(others) if _equal(other, first))
    return any(_has_each([*others[:place], *others[place + 1 :]], more) for place in found)


def _plain(value: Any) -> Any:
    """Numbers by their value: 90, 90.0 and 9e1 are one."""
    if isinstance(value, msgspec.Raw):
        return Decimal(bytes(value).decode())
    return Decimal(value) if isinstance(value, int) and not isinstance(value, bool) else value
