"""A file as plain data that remembers where every key and value stands.

A node's value is a scalar, a tuple of nodes or a dict of nodes. YAML scalars are text, always: what `on`, `60:30` or `1.0`
mean is decided by the type that expects them, never by the notation.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date, datetime, time
from decimal import Decimal
from typing import Any

Path = tuple[str | int, ...]
Scalar = str | int | bool | Decimal | datetime | date | time | None


@dataclass(frozen=True, slots=True, order=True)
class Place:
    """Line and column, both counted from 1."""

    line: int
    column: int


START = Place(1, 1)


@dataclass(frozen=True, slots=True)
class Node:
    """`damaged`: something faulty was cut out of it, so that what it lacks says nothing."""

    place: Place
    value: "Scalar | tuple[Node, ...] | dict[str, Node]"
    key_place: Place | None = None
    damaged: bool = False

    def child(self, step: str | int) -> "Node | None":
        if isinstance(self.value, dict):
            return self.value.get(str(step))
        if isinstance(self.value, tuple) and isinstance(step, int) and 0 <= step < len(self.value):
            return self.value[step]
        return None


Located = Node


def plain(node: Node) -> Any:
    """The data alone: dict, list and scalars."""
    if isinstance(node.value, dict):
        return {key: plain(child) for key, child in node.value.items()}
    if isinstance(node.value, tuple):
        return [plain(child) for child in node.value]
    return node.value


def located(value: Any, place: Place) -> Node:
    """Plain data as nodes that all stand at one place."""
    if isinstance(value, dict):
        return Node(place, {str(key): located(child, place) for key, child in value.items()}, place)
    if isinstance(value, list | tuple):
        return Node(place, tuple(located(child, place) for child in value), place)
    return Node(place, value, place)


def at(node: Node, path: Path) -> Node:
    """The node the path leads to, or the last one on the way that exists."""
    for step in path:
        child = node.child(step)
        if child is None:
            break
        node = child
    return node


def without(node: Node, paths: Iterable[Path]) -> Node:
    """The same tree with these parts cut out, their parents marked as damaged."""
    # Later list entries go first, so that the indexes of earlier ones still hold.
    for path in sorted(set(paths), key=_order, reverse=True):
        node = _cut(node, path)
    return node


def with_child(node: Node, path: Path, key: str, value: Any) -> Node:
    """The same tree with one more key in the mapping at `path`, that mapping marked as damaged."""
    if path:
        return _replaced(node, path[0], lambda child: with_child(child, path[1:], key, value))
    assert isinstance(node.value, dict)
    return replace(node, value={**node.value, key: located(value, node.place)}, damaged=True)


def _order(path: Path) -> tuple[tuple[int, int, str], ...]:
    return tuple((0, step, "") if isinstance(step, int) else (1, 0, step) for step in path)


def _cut(node: Node, path: Path) -> Node:
    if len(path) > 1:
        return _replaced(node, path[0], lambda child: _cut(child, path[1:]))
    if isinstance(node.value, dict):
        return replace(node, value={key: child for key, child in node.value.items() if key != path[0]}, damaged=True)
    assert isinstance(node.value, tuple)
    return replace(node, value=tuple(child for i, child in enumerate(node.value) if i != path[0]), damaged=True)


def _replaced(node: Node, step: str | int, change: Any) -> Node:
    if isinstance(node.value, dict):
        return replace(node, value={key: change(child) if key == step else child for key, child in node.value.items()})
    assert isinstance(node.value, tuple)
    return replace(node, value=tuple(change(child) if i == step else child for i, child in enumerate(node.value)))
