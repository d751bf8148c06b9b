"""The R4 definitions that the sandbox checks against, read once, when the first body comes in."""

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import TypeAlias

import msgspec


class Table(msgspec.Struct):
    """definitions.json as scripts/sandbox_definitions.py writes it."""

    resources: list[str]
    known_resources: list[str]
    primitives: dict[str, str]
    links: dict[str, list[str]]
    types: dict[str, dict[str, str]]
    codes: dict[str, dict[str, list[str]]]


@dataclass(frozen=True, slots=True)
class Kind:
    """One type an element may have; targets are those of a Reference, empty where any will do."""

    name: str
    targets: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Element:
    """One element under its JSON name; `choice` is the name with [x] that it belongs to, or the name itself."""

    name: str
    choice: str
    kind: Kind
    required: bool
    repeats: bool
    value_set: str = ""


Elements: TypeAlias = dict[str, Element]


@cache
def table() -> Table:
    text = files("careplan_bridge.sandbox").joinpath("definitions.json").read_bytes()
    return msgspec.json.decode(text, type=Table)


@cache
def elements_of(type_name: str) -> Elements:
    """The elements of a resource, datatype or backbone path, choices spelled out: valueQuantity, valueString, ..."""
    lines = table().types[type_name].items()
    return {element.name: element for path, line in lines for element in _spell_out(path, line)}


@cache
def codes_of(value_set: str) -> dict[str, frozenset[str]]:
    return {system: frozenset(codes) for system, codes in table().codes[value_set].items()}


def is_primitive(type_name: str) -> bool:
    return type_name in table().primitives


def _spell_out(path: str, line: str) -> list[Element]:
    cardinality, kinds, *binding = line.split(" ")
    least, _, most = cardinality.partition("..")
    value_set = binding[0].removeprefix("^") if binding else ""
    return [
        Element(_json_name(path, kind), path, kind, least != "0", most == "*", value_set)
        for kind in map(_kind, kinds.split("|"))
    ]


def _json_name(path: str, kind: Kind) -> str:
    stem = path.removesuffix("[x]")
    # SimpleQuantity is a profile: its element bears the name of the type.
    name = "Quantity" if kind.name == "SimpleQuantity" else kind.name
    return path if stem == path else stem + name[0].upper() + name[1:]


def _kind(text: str) -> Kind:
    name, _, targets = text.rstrip(")").partition("(")
    chosen = frozenset(targets.split(",")) if targets else frozenset[str]()
    return Kind(name, chosen - {"Resource"})
