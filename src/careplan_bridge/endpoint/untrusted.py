"""A server's JSON has whatever shape it has: what is asked for here is given with its type, or as empty."""

from collections.abc import Mapping
from typing import Any, cast


def an_object(value: object) -> dict[str, Any]:
    return cast("dict[str, Any]", value) if isinstance(value, dict) else {}


def a_list(value: object) -> list[Any]:
    return cast("list[Any]", value) if isinstance(value, list) else []


def objects(value: object) -> list[dict[str, Any]]:
    """The objects in a list, leaving out what is none."""
    return [item for item in map(an_object, a_list(value)) if item]


def text(holder: Mapping[str, Any], name: str) -> str:
    value = holder.get(name)
    return value if isinstance(value, str) else ""
