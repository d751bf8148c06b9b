"""A tree against a pydantic model: every fault of shape at once, each where it stands, and the rest of the tree kept usable.

A faulty part is reported once, then cut out (or, where the model demands it, replaced by the stand-in that the model
declares), and the remainder is read again: so that one wrong key does not hide the faults of meaning elsewhere.
"""

import typing
from collections.abc import Mapping
from textwrap import shorten
from typing import Any, ClassVar, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import ErrorDetails

from careplan_bridge.syntax.nearest import suggestion
from careplan_bridge.syntax.node import Node, Path, amended, at, plain
from careplan_bridge.syntax.spot import Faults


class Part(BaseModel):
    """A part of a file. Keys are trade words with spaces; unknown ones are refused.

    `stand_ins` are values for keys that are demanded but missing or faulty; they let the rest of the part be examined and
    never leave the reader, since a file with faults gives no value. `unknown_keys` says more about keys that are often tried.
    """

    model_config = ConfigDict(
        alias_generator=lambda name: name.rstrip("_").replace("_", " "), extra="forbid", frozen=True
    )
    stand_ins: ClassVar[Mapping[str, Any]] = {}
    unknown_keys: ClassVar[Mapping[str, str]] = {}

    @classmethod
    def keys(cls) -> list[str]:
        return [str(field.alias) for field in cls.model_fields.values()]


M = TypeVar("M", bound=Part)


def shaped(model: type[M], root: Node, faults: Faults) -> tuple[M | None, Node]:
    """The tree as a `model`, and the tree without its faulty parts; None where nothing is left to examine."""
    stood_in: set[Path] = set()
    reported = False
    while True:
        try:
            return model.model_validate(plain(root)), root
        except ValidationError as refused:
            errors = refused.errors(include_url=False)
        if not reported:
            _report(errors, model, root, faults)
        reported = True
        mended = _mended(errors, model, root, stood_in)
        if mended is None:
            return None, root
        root = mended


def _report(errors: list[ErrorDetails], model: type[Part], root: Node, faults: Faults) -> None:
    for error in errors:
        path = error["loc"]
        node = at(root, path)
        if node.damaged and node.value is None:
            continue  # an alias stood here, which is a fault of its own
        on_key = error["type"] in ("missing", "extra_forbidden")
        place = (node.key_place if on_key else None) or node.place
        faults.add(place, *_sentences(error, part_at(model, path[:-1])))


def _mended(errors: list[ErrorDetails], model: type[Part], root: Node, stood_in: set[Path]) -> Node | None:
    """The tree to read again; None where the root itself cannot be mended.

    Nothing stands in twice in one place (`stood_in`), so that each round leaves less to mend.
    """
    cut: list[Path] = []
    added: dict[Path, Any] = {}
    for error in errors:
        path = error["loc"]
        value = _stand_in(model, path) if error["type"] == "missing" and path not in stood_in else None
        if value is not None:
            added[path] = _named(value, at(root, path[:-1]))
        else:
            cut.append(path[:-1] if error["type"] == "missing" else _existing(root, path))
    stood_in.update(added)
    return None if () in cut else amended(root, cut, added)


def _existing(root: Node, path: Path) -> Path:
    """As much of an error's path as the tree has: pydantic may add steps of its own."""
    for length, step in enumerate(path):
        child = root.child(step)
        if child is None:
            return path[:length]
        root = child
    return path


def _stand_in(model: type[Part], path: Path) -> Any:
    part = part_at(model, path[:-1])
    return part.stand_ins.get(str(path[-1])) if part else None


def _named(value: Any, node: Node) -> Any:
    # Ids must differ, or their stand-ins would be reported as given twice.
    return value.format(line=node.place.line, column=node.place.column) if isinstance(value, str) else value


def part_at(model: type[Part], path: Path) -> type[Part] | None:
    """The model of the part at a path, where there is one."""
    kind: Any = model
    for step in path:
        if isinstance(kind, type) and issubclass(kind, Part):
            found = next((field for field in kind.model_fields.values() if field.alias == step), None)
            kind = found.annotation if found else None
        else:
            kind = next(
                (inner for inner in reversed(typing.get_args(kind)) if inner not in (Ellipsis, type(None))), None
            )
        kind = _without_none(kind)
    return kind if isinstance(kind, type) and issubclass(kind, Part) else None


def _without_none(kind: Any) -> Any:
    arguments = typing.get_args(kind)
    return next(a for a in arguments if a is not type(None)) if type(None) in arguments else kind


_LIMITS = {
    "greater_than": ("must be more than", "gt"),
    "greater_than_equal": ("must be at least", "ge"),
    "less_than": ("must be less than", "lt"),
    "less_than_equal": ("must be at most", "le"),
}
_TYPES = {
    "string_type": ("must be a text", "write one text here"),
    "list_type": ("must be a list", "write it as [one, another] or as lines that begin with `- `"),
    "tuple_type": ("must be a list", "write it as [one, another] or as lines that begin with `- `"),
    "dict_type": ("must hold keys of its own", "write `key: value` pairs below it"),
    "model_type": ("must hold keys of its own", "write `key: value` pairs below it"),
    "bool_type": ("must be true or false", "write true or false"),
    "int_type": ("must be a whole number", "write a whole number"),
}


def _sentences(error: ErrorDetails, part: type[Part] | None) -> tuple[str, str]:
    """What is wrong and what would mend it."""
    name, kind = _name(error["loc"]), error["type"]
    if kind == "missing":
        return f"{name} is missing", f"add {name}"
    if kind == "extra_forbidden":
        return f"unknown key {name}", _known_key(str(error["loc"][-1]), part)
    if error["input"] is None:
        return f"{name} has no value", "write a value, or take the key out"
    return _value_sentences(name, error)


def _known_key(key: str, part: type[Part] | None) -> str:
    return "take it out" if part is None else part.unknown_keys.get(key) or suggestion(key, part.keys())


def _value_sentences(name: str, error: ErrorDetails) -> tuple[str, str]:
    kind, context = error["type"], error.get("ctx", {})
    if kind in _TYPES:
        what, mend = _TYPES[kind]
        return f"{name} {what}", mend
    if kind in _LIMITS:
        what, limit = _LIMITS[kind]
        return f"{name} {what} {context[limit]}", "write another number"
    if kind == "literal_error":
        return f"{name} cannot be `{_shown(error['input'])}`", f"write one of: {context['expected']}"
    return f"{name}: {error['msg']}", str(context.get("mend", "see docs/ for what this key takes"))


def _name(path: Path) -> str:
    last = path[-1] if path else "the file"
    return f"entry {last + 1}" if isinstance(last, int) else f"`{last}`" if path else last


def _shown(value: Any) -> str:
    return shorten(str(value), 40, placeholder="…")
