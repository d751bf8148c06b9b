"""Bodies of answers: JSON with its numbers as written, and whether it has one meaning only."""

import json
from typing import Any

import msgspec

from careplan_bridge.fhir import raw


def decoded(body: bytes) -> Any:
    """The JSON value of a body (I3); None where it is none."""
    try:
        return raw.decode(body.removeprefix(b"\xef\xbb\xbf"))
    except (msgspec.DecodeError, RecursionError):
        return None


def names_stand_twice(body: bytes) -> bool:
    """Does a name stand twice in one object? Readers take the first or the last: which was meant can't be told."""
    twice = False

    def look(pairs: list[tuple[str, Any]]) -> None:
        nonlocal twice
        twice = twice or len({name for name, _ in pairs}) < len(pairs)

    try:
        json.loads(body.decode("utf-8-sig"), object_pairs_hook=look, parse_float=str, parse_int=str)
    except RecursionError:
        return True  # nobody nests so deeply who means something by it
    return twice
