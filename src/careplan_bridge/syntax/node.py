"""A file as plain data that remembers where every key and value stands.

A node's value is a scalar, a tuple of nodes or a dict of nodes. YAML scalars are text, always: what `on`, `60:30` or `1.0`
mean is decided by the type that expects them, never by the notation.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time
from decimal import Decimal
from typing import Any, TypeVar, cast

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
    """Plain data as nodes that all stand at one place; they stand in for something faulty, so they are damaged."""
    inside: Any = value
    if isinstance(value, dict):
        inside = {key: located(child, place) for key, child in cast("dict[str, Any]", value).items()}
    elif isinstance(value, list | tuple):
        inside = tuple(located(child, place) for child in cast("list[Any]", value))
    return Node(place, inside, place, damaged=True)


def at(node: Node, path: Path) -> Node:
    """The node the path leads to, or the last one on the way that exists."""
    for step in path:
        child = node.child(step)
        if child is None:
            break
        node = child
    return node


def amended(root: Node, cut: Iterable[Path], added: Mapping[Path, Any]) -> Node:
    """The same tree with parts cut out and keys added; mappings and lists that this touched are marked as damaged."""
    edits = _Edit()
    for path in cut:
        edits.at(path).cut = True
    for path, value in added.items():
        edits.at(path).added = value
    return _applied(root, edits)


_NOTHING = object()


@dataclass(slots=True)
class _Edit:
    """What happens to a node, and to those inside it."""

    cut: bool = False
    added: Any = _NOTHING
    inside: dict[str | int, "_Edit"] = field(default_factory=dict[str | int, "_Edit"])

    def at(self, path: Path) -> "_Edit":
        edit = self
        for step in path:
            edit = edit.inside.setdefault(step, _Edit())
        return edit


def _applied(node: Node, edit: _Edit) -> Node:
    if not edit.inside:
        return node
    touched = any(inner.cut or inner.added is not _NOTHING for inner in edit.inside.values())
    value: tuple[Node, ...] | dict[str, Node]
    if isinstance(node.value, dict):
        value = dict(_kept(node.value.items(), edit)) | _new(node, edit)
    elif isinstance(node.value, tuple):
        value = tuple(child for _, child in _kept(enumerate(node.value), edit))
    else:
        return node
    return replace(node, value=value, damaged=node.damaged or touched)


Step = TypeVar("Step", str, int)


def _kept(children: Iterable[tuple[Step, Node]], edit: _Edit) -> Iterator[tuple[Step, Node]]:
    for step, child in children:
        inner = edit.inside.get(step)
        if inner is None or not inner.cut:
            yield step, child if inner is None else _applied(child, inner)


def _new(node: Node, edit: _Edit) -> dict[str, Node]:
    added = ((str(step), inner.added) for step, inner in edit.inside.items() if inner.added is not _NOTHING)
    return {step: located(value, node.place) for step, value in added}
