"""Is a body what R4 allows? Elements, cardinality, choices, primitive formats, required codes, invariants.

What is not checked: bindings that are not required or cannot be listed (mime types, currencies), terminology,
profiles, and the insides of resource types that the table does not hold (a contained Medication, say).
"""

import re
from collections.abc import Iterator, Sequence
from datetime import date
from functools import cache

from careplan_bridge.sandbox import narrative
from careplan_bridge.sandbox.definitions import Element, codes_of, elements_of, is_primitive, table
from careplan_bridge.sandbox.invariants import broken_invariants
from careplan_bridge.sandbox.jsontext import Resource, is_array, is_object, number
from careplan_bridge.sandbox.outcome import Issue

_NUMERIC = frozenset({"integer", "positiveInt", "unsignedInt"})


def faults(resource: Resource) -> list[Issue]:
    """Everything wrong with the resource; empty where a strict server would take it."""
    kind = resource.get("resourceType")
    return list(_resource(resource, str(kind)))


def _resource(node: object, where: str) -> Iterator[Issue]:
    if not is_object(node):
        yield Issue("structure", "a resource is a JSON object", where)
        return
    kind = node.get("resourceType")
    if kind in table().resources:
        yield from _object(node, str(kind), where, is_resource=True)
    elif kind not in table().known_resources:
        yield Issue("structure", f"{kind} is no R4 resource type", where)


def _object(node: object, type_name: str, where: str, *, is_resource: bool = False) -> Iterator[Issue]:
    if not is_object(node):
        yield Issue("structure", f"{type_name} is a JSON object", where)
    elif not node:
        yield Issue("invariant", "ele-1: an element has a value or children", where)
    else:
        yield from _members(node, type_name, where, is_resource=is_resource)
        yield from _missing(node, type_name, where)
        yield from broken_invariants(node, type_name, where)


def _members(node: Resource, type_name: str, where: str, *, is_resource: bool) -> Iterator[Issue]:
    known = elements_of(type_name)
    for name, value in node.items():
        element = known.get(name.removeprefix("_"))
        if name == "resourceType" and is_resource:
            continue
        if element is None or (name.startswith("_") and not is_primitive(element.kind.name)):
            yield Issue("structure", f"{name} is not an element of {type_name}", f"{where}.{name}")
        elif name.startswith("_"):
            yield from _companion(node, element, value, f"{where}.{name}")
        else:
            yield from _element(node, element, value, f"{where}.{name}")


def _missing(node: Resource, type_name: str, where: str) -> Iterator[Issue]:
    present = {name.removeprefix("_") for name in node}
    for choice, elements in _choices(type_name).items():
        given = [element.name for element in elements if element.name in present]
        if len(given) > 1:
            yield Issue("structure", f"only one of {', '.join(sorted(given))} may be given", where)
        if elements[0].required and not given:
            yield Issue("required", f"{type_name}.{choice} is required", where)


@cache
def _choices(type_name: str) -> dict[str, list[Element]]:
    groups: dict[str, list[Element]] = {}
    for element in elements_of(type_name).values():
        groups.setdefault(element.choice, []).append(element)
    return groups


def _element(node: Resource, element: Element, value: object, where: str) -> Iterator[Issue]:
    if element.repeats != is_array(value):
        shape = (
            "repeats: a JSON array is needed" if element.repeats else "does not repeat: no JSON array may stand here"
        )
        yield Issue("structure", f"{element.name} {shape}", where)
    elif not is_array(value):
        yield from _value(element, value, where)
    elif not value:
        yield Issue("structure", f"{element.name} is an empty array; leave it out", where)
    else:
        yield from _repeats(node, element, value, where)


def _repeats(node: Resource, element: Element, values: Sequence[object], where: str) -> Iterator[Issue]:
    for position, value in enumerate(values):
        if value is None and _companion_at(node, element, position) is not None:
            continue
        yield from _value(element, value, f"{where}[{position}]")


def _companion_at(node: Resource, element: Element, position: int) -> object:
    companions = node.get(f"_{element.name}")
    return companions[position] if is_array(companions) and position < len(companions) else None


def _companion(node: Resource, element: Element, value: object, where: str) -> Iterator[Issue]:
    """`_name` beside `name`: the id and extensions of a primitive, which stand for no code of a required value set."""
    if element.value_set and element.name not in node:
        yield Issue("code-invalid", f"{element.name} needs a code of the value set {element.value_set}", where)
    if not element.repeats:
        yield from _object(value, "Element", where)
        return
    for position, member in enumerate(value if is_array(value) else [value]):
        values = node.get(element.name)
        beside = values[position] if is_array(values) and position < len(values) else None
        if member is not None or beside is None:
            yield from _object(member, "Element", f"{where}[{position}]")


def _value(element: Element, value: object, where: str) -> Iterator[Issue]:
    kind = element.kind.name
    if kind == "Resource":
        yield from _resource(value, where)
    elif is_primitive(kind):
        yield from _primitive(element, value, where)
    else:
        yield from _complex(element, value, where)


def _complex(element: Element, value: object, where: str) -> Iterator[Issue]:
    kind = "Quantity" if element.kind.name == "SimpleQuantity" else element.kind.name
    yield from _object(value, kind, where)
    if not is_object(value):
        return
    if element.kind.name == "SimpleQuantity" and "comparator" in value:
        yield Issue("invariant", "sqty-1: no comparator may stand here", where)
    if element.value_set and kind in {"CodeableConcept", "Coding"} and not _is_coded(value, element.value_set):
        yield Issue("code-invalid", f"a code of the value set {element.value_set} is needed", where)


def _is_coded(value: Resource, value_set: str) -> bool:
    codings = value.get("coding", []) if "coding" in value else [value]
    allowed = codes_of(value_set)
    return any(coding.get("code") in allowed.get(coding.get("system", ""), ()) for coding in codings)


def _primitive(element: Element, value: object, where: str) -> Iterator[Issue]:
    kind = element.kind.name
    if not _has_form(kind, value):
        yield Issue("value", f"{element.name} is not a valid {kind}", where)
    elif element.value_set and not any(value in codes for codes in codes_of(element.value_set).values()):
        yield Issue("code-invalid", f"{value} is not in the value set {element.value_set}", where)


def _has_form(kind: str, value: object) -> bool:
    if kind == "boolean":
        return isinstance(value, bool)
    if kind == "decimal":
        return number(value) is not None
    if kind in _NUMERIC:
        return isinstance(value, int) and not isinstance(value, bool) and _in_range(kind, value)
    return isinstance(value, str) and value.strip() != "" and _has_text_form(kind, value)


def _in_range(kind: str, value: int) -> bool:
    least = {"integer": -(2**31), "unsignedInt": 0, "positiveInt": 1}[kind]
    return least <= value < 2**31


def _has_text_form(kind: str, text: str) -> bool:
    if kind == "xhtml":
        return narrative.is_valid(text)
    if kind == "base64Binary":
        return re.fullmatch(r"[0-9A-Za-z+/=\s]*", text) is not None and len("".join(text.split())) % 4 == 0
    return _pattern(kind).fullmatch(text) is not None and (kind not in _CALENDAR or _is_on_calendar(text))


_CALENDAR = frozenset({"date", "dateTime", "instant"})
_WHOLE_DATE = len("2024-03-10")


def _is_on_calendar(text: str) -> bool:
    if len(text) < _WHOLE_DATE:
        return True
    try:
        date.fromisoformat(text[:_WHOLE_DATE])
    except ValueError:
        return False
    return True


@cache
def _pattern(kind: str) -> re.Pattern[str]:
    return re.compile(table().primitives[kind])
