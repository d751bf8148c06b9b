"""What a resource is found by: rows for the index, one for each value of each search parameter."""

from collections.abc import Iterator
from functools import cache
from typing import NamedTuple

from careplan_bridge.sandbox import moments, references
from careplan_bridge.sandbox.definitions import codes_of, elements_of
from careplan_bridge.sandbox.jsontext import Resource, is_array, is_object
from careplan_bridge.sandbox.parameters import Compare, Parameter, parameters_of

LINK = "*"
"""The name under which every local reference of a resource is indexed, whatever element it stands in."""


class Row(NamedTuple):
    """token: system, code; reference: type, id; other: empty, value. A date has low and high instead."""

    parameter: str
    first: str | None = None
    second: str | None = None
    low: int | None = None
    high: int | None = None


def rows(resource: Resource) -> set[Row]:
    found = {Row(LINK, link.type, link.id) for link in references.links(resource)}
    kind = resource["resourceType"]
    for parameter in parameters_of(kind).values():
        for path in parameter.paths:
            for value in values_at(resource, path.split(".")):
                found.update(_rows(parameter, value, _code_system(kind, path)))
    return found


def values_at(node: object, path: list[str]) -> Iterator[object]:
    """Every value at the path; lists on the way are entered."""
    if is_array(node):
        for member in node:
            yield from values_at(member, path)
    elif not path:
        yield node
    elif is_object(node) and path[0] in node:
        yield from values_at(node[path[0]], path[1:])


@cache
def _code_system(resource_type: str, path: str) -> str:
    """The system that a bare code at the path belongs to; empty where its binding names none, or several."""
    element = elements_of(resource_type).get(path)
    systems = list(codes_of(element.value_set)) if element and element.value_set else []
    return systems[0] if len(systems) == 1 else ""


def _rows(parameter: Parameter, value: object, code_system: str) -> Iterator[Row]:
    match parameter.compare:
        case Compare.TOKEN:
            return (Row(parameter.name, *pair) for pair in _tokens(value, code_system))
        case Compare.REFERENCE:
            return _reference_rows(parameter, value)
        case Compare.DATE:
            return (Row(parameter.name, low=span.low, high=span.high) for span in _spans(value))
        case Compare.STRING:
            return (Row(parameter.name, "", text.casefold()) for text in (value,) if isinstance(text, str))
        case Compare.URI:
            return (Row(parameter.name, "", text) for text in (value,) if isinstance(text, str))


def _tokens(value: object, code_system: str) -> Iterator[tuple[str, str | None]]:
    if isinstance(value, bool):
        yield "", "true" if value else "false"
    elif isinstance(value, str):
        yield code_system, value
    elif is_object(value) and "coding" in value:
        for coding in value["coding"]:
            yield coding.get("system", ""), coding.get("code")
    elif is_object(value) and ("code" in value or "value" in value):
        yield value.get("system", ""), value.get("code") or value.get("value")


def _reference_rows(parameter: Parameter, value: object) -> Iterator[Row]:
    literal = value.get("reference") if is_object(value) else None
    if not isinstance(literal, str):
        return
    link = references.local(literal)
    if link is None:
        yield Row(parameter.name, "", literal)
    elif parameter.target in {"", link.type}:
        yield Row(parameter.name, link.type, link.id)


def _spans(value: object) -> Iterator[moments.Span]:
    if isinstance(value, str):
        yield moments.span(value)
    elif is_object(value) and ("start" in value or "end" in value):
        yield _period(value)
    elif is_object(value):
        yield from _timing(value)


def _period(period: Resource) -> moments.Span:
    low = moments.span(period["start"]).low if "start" in period else moments.BEGINNING
    high = moments.span(period["end"]).high if "end" in period else moments.END
    return moments.Span(low, high)


def _timing(timing: Resource) -> Iterator[moments.Span]:
    spans = [moments.span(event) for event in timing.get("event", [])]
    if bounds := timing.get("repeat", {}).get("boundsPeriod"):
        spans.append(_period(bounds))
    if spans:
        yield moments.Span(min(s.low for s in spans), max(s.high for s in spans))
