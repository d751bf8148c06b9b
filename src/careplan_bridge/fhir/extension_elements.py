"""The elements of an extension's StructureDefinition: what it changes in Extension (differential), and the whole (snapshot).

The snapshot is shipped because generators stumble over an extension that nests in itself.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from careplan_bridge.fhir.elements import Element

_ROOT = "Extension"
_FHIR_TYPE = "http://hl7.org/fhir/StructureDefinition/structuredefinition-fhir-type"
_SYSTEM_STRING = "http://hl7.org/fhirpath/System.String"
_SLICING: Element = {
    "discriminator": [{"type": "value", "path": "url"}],
    "description": "Extensions are always sliced by (at least) url",
    "rules": "open",
}
_SAYS_SOMETHING: Element = {
    "key": "ele-1",
    "severity": "error",
    "human": "All FHIR elements must have a @value or children",
    "expression": "hasValue() or (children().count() > id.count())",
    "xpath": "@value|f:*|h:div",
    "source": "http://hl7.org/fhir/StructureDefinition/Element",
}
_VALUE_OR_PARTS: Element = {
    "key": "ext-1",
    "severity": "error",
    "human": "Must have either extensions or value[x], not both",
    "expression": "extension.exists() != value.exists()",
    "xpath": "exists(f:extension)!=exists(f:*[starts-with(local-name(.), 'value')])",
    "source": "http://hl7.org/fhir/StructureDefinition/Extension",
}


@dataclass(frozen=True, slots=True)
class Part:
    """An extension, or a part of one: a value of one of `types`, or parts. `nested`: it is an extension with a URL of its own."""

    name: str
    short: str
    types: tuple[str, ...] = ()
    least: int = 0
    most: str = "1"
    parts: tuple["Part", ...] = ()
    nested: str | None = None

    @property
    def fewest(self) -> int:
        """How many parts there are at least."""
        return sum(part.least for part in self.parts)


def differential(whole: Part, says: str) -> list[Element]:
    root = {"id": _ROOT, "path": _ROOT, "short": whole.short, "definition": says}
    return [root, *_changes(_ROOT, _ROOT, whole)]


def snapshot(whole: Part, says: str) -> list[Element]:
    root = _whole(_ROOT, _ROOT, whole.short, says, 0, "*", _ROOT, constraint=[_SAYS_SOMETHING, _VALUE_OR_PARTS])
    return [root, *_everything(_ROOT, _ROOT, whole)]


def _changes(id_: str, path: str, part: Part) -> Iterator[Element]:
    if not part.parts:
        yield {"id": f"{id_}.extension", "path": f"{path}.extension", "max": "0"}
    for inner in part.parts:
        slice_ = f"{id_}.extension:{inner.name}"
        yield {
            "id": slice_,
            "path": f"{path}.extension",
            **_slice(inner),
            "min": inner.least,
            "max": inner.most,
            **_profile(inner),
        }
        yield from () if inner.nested else _changes(slice_, f"{path}.extension", inner)
    yield {"id": f"{id_}.url", "path": f"{path}.url", "fixedUri": part.name}
    yield {"id": f"{id_}.value[x]", "path": f"{path}.value[x]", **_value(part)}


def _everything(id_: str, path: str, part: Part) -> Iterator[Element]:
    yield _id(id_, path)
    yield from _parts(id_, path, part)
    yield {
        **_whole(
            f"{id_}.url",
            f"{path}.url",
            "identifies the meaning of the extension",
            "The URL or name of this extension.",
            1,
            "1",
        ),
        "type": [_system_string("uri")],
        "fixedUri": part.name,
    }
    least, most = (0, "0") if part.parts else (1, "1")
    yield {
        **_whole(
            f"{id_}.value[x]",
            f"{path}.value[x]",
            "Value of extension",
            part.short,
            least,
            most,
            constraint=[_SAYS_SOMETHING],
        ),
        **_types(part),
    }


def _parts(id_: str, path: str, part: Part) -> Iterator[Element]:
    most = "*" if part.parts else "0"
    yield {**_extension(f"{id_}.extension", f"{path}.extension", "Extension", part.fewest, most), "slicing": _SLICING}
    for inner in part.parts:
        slice_ = f"{id_}.extension:{inner.name}"
        yield {
            **_extension(slice_, f"{path}.extension", inner.short, inner.least, inner.most),
            **_slice(inner),
            **_profile(inner),
        }
        yield from () if inner.nested else _everything(slice_, f"{path}.extension", inner)


def _extension(id_: str, path: str, short: str, least: int, most: str) -> Element:
    both = [_SAYS_SOMETHING, _VALUE_OR_PARTS]
    whole = _whole(id_, path, short, short, least, most, "Element.extension", constraint=both)
    return {**whole, "type": [{"code": "Extension"}]}


def _id(id_: str, path: str) -> Element:
    says = "Unique id for inter-element referencing"
    return {**_whole(f"{id_}.id", f"{path}.id", says, says, 0, "1", "Element.id"), "type": [_system_string("string")]}


def _whole(
    id_: str, path: str, short: str, says: str, least: int, most: str, base: str | None = None, **more: Any
) -> Element:
    """An element as a snapshot has it. `base`: the element of the standard that it stands for."""
    name = base or f"{_ROOT}.{path.rsplit('.', 1)[-1]}"
    of_base = {
        "path": name,
        "min": 1 if name.endswith(".url") else 0,
        "max": "*" if name.endswith(("extension", _ROOT)) else "1",
    }
    start = {"id": id_, "path": path, "short": short, "definition": says, "min": least, "max": most, "base": of_base}
    return {**start, **more, "isModifier": False, **({} if path == _ROOT else {"isSummary": False})}


def _slice(part: Part) -> Element:
    return {"sliceName": part.name, "short": part.short}


def _profile(part: Part) -> Element:
    return {"type": [{"code": "Extension", "profile": [part.nested]}]} if part.nested else {}


def _value(part: Part) -> Element:
    return {"max": "0"} if part.parts else {"min": 1, **_types(part)}


def _types(part: Part) -> Element:
    # A value that may not be there keeps the standard's types; one of them is enough to say so.
    return {"type": [{"code": kind} for kind in part.types or ("string",)]}


def _system_string(kind: str) -> Element:
    return {"extension": [{"url": _FHIR_TYPE, "valueUrl": kind}], "code": _SYSTEM_STRING}
