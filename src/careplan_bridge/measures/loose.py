"""Access to JSON that may be anything: what has the wrong shape counts as not there."""

from collections.abc import Iterator
from typing import Any, cast

import msgspec

Json = dict[str, Any]
Code = tuple[str, str]  # system, code

_LONGEST_NUMBER = 40
_DECODER = msgspec.json.Decoder(float_hook=lambda written: msgspec.Raw(written.encode()))


def decode(line: bytes) -> object:
    """The JSON value, its fractions kept as written. Raises msgspec.DecodeError, or UnicodeDecodeError."""
    return _DECODER.decode(line)


def member(value: object, name: str) -> Any:
    """The member of an object; None for anything else, and for an empty object or text."""
    found = cast("Json", value).get(name) if isinstance(value, dict) else None
    return None if found in ("", {}, []) else found


def obj(value: object) -> Json:
    return cast("Json", value) if isinstance(value, dict) else {}


def objects(value: object) -> list[Json]:
    """The objects of a list; a single object counts as a list of one."""
    if isinstance(value, dict):
        return [cast("Json", value)]
    return (
        [cast("Json", one) for one in cast("list[object]", value) if isinstance(one, dict)]
        if isinstance(value, list)
        else []
    )


def text(value: object) -> str | None:
    """Text that is not empty, as it came."""
    return value or None if isinstance(value, str) else None


def number(value: object) -> str | None:
    """A JSON number as it was written; None for anything else, and for one longer than any measurement."""
    if isinstance(value, bool):
        return None
    if isinstance(value, msgspec.Raw):
        return as_written(bytes(value))
    if isinstance(value, int | float):
        return as_written(repr(value).encode())
    return None


def as_written(raw: bytes) -> str | None:
    return raw.decode() if len(raw) <= _LONGEST_NUMBER and raw[:1] in _NUMBER_STARTS else None


_NUMBER_STARTS = tuple(bytes([sign]) for sign in b"-0123456789")


def codings(concept: object) -> Iterator[Json]:
    """The codings of a CodeableConcept (or of a list of them)."""
    for one in objects(concept):
        yield from objects(member(one, "coding"))


def codes(concept: object) -> Iterator[Code]:
    """Those codings that have both a system and a code."""
    for coding in codings(concept):
        system, code = text(member(coding, "system")), text(member(coding, "code"))
        if system and code:
            yield system, code


def words(concept: object) -> Iterator[str]:
    """What the concept says for people: its text and the displays of its codings."""
    for one in objects(concept):
        if said := words_of(member(one, "text")):
            yield said
    for coding in codings(concept):
        if said := words_of(member(coding, "display")):
            yield said


def words_of(value: object) -> str | None:
    """Text for people, without the blanks around it."""
    return value.strip() or None if isinstance(value, str) else None


def reference(value: object) -> str | None:
    """A reference as it came; the identifier or the display where there is no literal one."""
    literal = text(member(value, "reference"))
    return literal or text(member(member(value, "identifier"), "value")) or text(member(value, "display"))


def extensions(owner: object, url: str) -> Iterator[Json]:
    return (one for one in objects(member(owner, "extension")) if one.get("url") == url)


def extension_value(extension: Json) -> Any:
    """The value[x] of an extension, whatever its type."""
    return next((value for name, value in extension.items() if name.startswith("value")), None)
