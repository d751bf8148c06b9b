"""The JSON documents others may rely on, and back: a reading's interval stands flat beside its measure, numbers keep their digits."""

from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from typing import Any, cast

import msgspec

from careplan_bridge.model.cautions import CAUTIONS
from careplan_bridge.model.check import CriteriaCheck
from careplan_bridge.model.course import Responded
from careplan_bridge.model.decision import Decision
from careplan_bridge.model.printed import Faults, FoundFault, Response, Signing
from careplan_bridge.model.reading import Readings
from careplan_bridge.model.receipt import Receipt

Document = dict[str, Any]

_BOUNDS = ("low", "high", "low_included", "high_included")
_PRETTY = msgspec.json.Encoder(decimal_format="number")


def readings_document(readings: Readings) -> Document:
    """{document: readings, version: 1, cautions, readings, unusable}."""
    plain = _flat(_plain(readings))
    return {"document": "readings", "version": 1, "cautions": list(CAUTIONS), **plain}


def check_document(check: CriteriaCheck) -> Document:
    return _flat(_plain(check))


def plain_document(value: object) -> Document:
    """A document without readings: its own fields, decimals as they are."""
    return _plain(value)


def check_of(document: Mapping[str, Any]) -> CriteriaCheck:
    """The check a document was made from. Raises msgspec.ValidationError where it is none."""
    return msgspec.convert(_nested(document), CriteriaCheck)


def signing_document(decision: Decision, receipt: Receipt | None) -> Signing:
    return Signing(decision=decision, receipt=receipt)


def response_document(plan: str, response: Responded) -> Response:
    return Response(plan=plan, response=response)


def faults_document(faults: Iterable[object]) -> Faults:
    """Of anything with the attributes of a fault."""
    return Faults(faults=tuple(msgspec.convert(fault, FoundFault, from_attributes=True) for fault in faults))


def encode(document: object) -> bytes:
    """Indented JSON with a final line feed; decimals are numbers with the digits they came with."""
    return msgspec.json.format(_PRETTY.encode(document), indent=2) + b"\n"


def _plain(value: object) -> Document:
    return cast("Document", msgspec.to_builtins(value, builtin_types=(Decimal,)))


def _flat(value: Any) -> Any:
    if isinstance(value, list | tuple):
        return [_flat(item) for item in cast("Sequence[Any]", value)]
    if not isinstance(value, dict):
        return value
    plain = {key: _flat(item) for key, item in cast("Document", value).items() if key != "hint"}
    return _spread(plain) if _is_interval(plain.get("value")) else plain


def _is_interval(value: Any) -> bool:
    return isinstance(value, dict) and "kind" in value and "low_included" in value


def _spread(plain: Document) -> Document:
    """{..., value: {kind, low, high, ...}, ...} becomes {..., low, high, ..., unit, ...} at the same place."""
    flat: Document = {}
    for key, item in plain.items():
        if key == "value":
            flat |= {bound: item[bound] for bound in _BOUNDS} | {"unit": item.get("unit")}
        else:
            flat[key] = item
    return flat


def _nested(value: Any) -> Any:
    if isinstance(value, list | tuple):
        return [_nested(item) for item in cast("Sequence[Any]", value)]
    if not isinstance(value, Mapping):
        return value
    plain = {key: _nested(item) for key, item in cast("Mapping[str, Any]", value).items()}
    return _gather(plain) if {"low_included", "unit"} <= plain.keys() else plain


def _gather(flat: Document) -> Document:
    bounds = {bound: flat.pop(bound) for bound in _BOUNDS}
    unit = flat.pop("unit")
    value = {"kind": "grade", **bounds} if unit is None else {"kind": "amount", **bounds, "unit": unit}
    return {**flat, "value": value}
