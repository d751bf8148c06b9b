"""JSON Schemas, written from the code's own types: for our files, so that an editor helps while one is written, and for the
documents that commands print, so that others may rely on them.
"""

from collections.abc import Iterable, Mapping
from typing import Any, cast

import msgspec
from pydantic import BaseModel

from careplan_bridge.model.measure import FINDING, Catalogue

Schema = dict[str, Any]
DIALECT = "https://json-schema.org/draft/2020-12/schema"
_REFERENCE = "#/$defs/{name}"
_NUMBER = {"type": "number"}
_DECIMAL = {"type": "string", "format": "decimal"}  # how msgspec describes one; our documents write numbers
_END = {"anyOf": [{"type": "number"}, {"type": "string"}, {"type": "null"}]}
_FLAT = {
    "low": _END,
    "high": _END,
    "low_included": {"type": "boolean"},
    "high_included": {"type": "boolean"},
    "unit": {"anyOf": [{"type": "string"}, {"type": "null"}]},
}


def of_file(model: type[BaseModel], catalogue: Catalogue) -> Schema:
    """The schema of one kind of file; where it names a measure or a qualifier, the catalogue's words stand in it."""
    schema = {"$schema": DIALECT, **model.model_json_schema(by_alias=True)}
    return _with_words(schema, _words(catalogue), sorted(name for name in catalogue.measures if name != FINDING))


def of_document(kinds: Iterable[Any], title: str, *, flat: bool = False) -> Schema:
    """The schema of a document of one of these types. `flat`: a reading's interval stands beside its measure, not in a value."""
    schemas, parts = msgspec.json.schema_components(tuple(kinds), ref_template=_REFERENCE)
    inside = _numbers({name: _flattened(part) if flat else part for name, part in parts.items()})
    root = schemas[0] if len(schemas) == 1 else {"anyOf": list(schemas)}
    return {"$schema": DIALECT, "title": title, **root, "$defs": inside}


def _numbers(value: Any) -> Any:
    if value == _DECIMAL:
        return _NUMBER
    if isinstance(value, dict):
        return {key: _numbers(inner) for key, inner in cast("Schema", value).items()}
    return [_numbers(inner) for inner in cast("list[Any]", value)] if isinstance(value, list) else value


def _flattened(part: Schema) -> Schema:
    """{value: {kind, low, high, ...}} as {low, high, ..., unit}; a hint is left out of documents."""
    properties: Schema = part.get("properties", {})
    kept = {name: inner for name, inner in properties.items() if name != "hint"}
    if "value" not in kept or "Amount" not in repr(kept["value"]):
        return {**part, "properties": kept} if "hint" in properties else part
    del kept["value"]
    asked = [name for name in part.get("required", []) if name != "value"]
    return {**part, "properties": {**kept, **_FLAT}, "required": [*asked, *_FLAT]}


def _words(catalogue: Catalogue) -> Mapping[str, list[str]]:
    """What each qualifier may say, over all measures, by its name in a file."""
    found: dict[str, set[str]] = {}
    for measure in catalogue.measures.values():
        for qualifier in measure.qualifiers:
            found.setdefault(qualifier.name, set()).update(qualifier.values)
    return {name: sorted(values) for name, values in found.items() if values}


def _with_words(value: Any, words: Mapping[str, list[str]], measures: list[str]) -> Any:
    if isinstance(value, list):
        return [_with_words(inner, words, measures) for inner in cast("list[Any]", value)]
    if not isinstance(value, dict):
        return value
    schema = {key: _with_words(inner, words, measures) for key, inner in cast("Schema", value).items()}
    if "properties" in schema:
        schema["properties"] = {name: _given(inner) for name, inner in schema["properties"].items()}
    if "measure" in schema.get("properties", {}):
        schema["properties"] = {
            name: _worded(name, inner, words, measures) for name, inner in schema["properties"].items()
        }
    return schema


def _given(schema: Schema) -> Schema:
    """A key that may be left out: where it is written it has a value, so null is not among what it may be."""
    kept = {key: inner for key, inner in schema.items() if key not in ("title", "default", "anyOf")}
    choices = [choice for choice in schema.get("anyOf", []) if choice != {"type": "null"}]
    return {**choices[0], **kept} if len(choices) == 1 else {**kept, **({"anyOf": choices} if choices else {})}


def _worded(name: str, schema: Schema, words: Mapping[str, list[str]], measures: list[str]) -> Schema:
    if name == "measure":
        return {"enum": measures}
    known = words.get(name.replace(" ", "_"))
    return {**schema, "examples": known} if known else schema
