"""What this server can do, as its CapabilityStatement."""

from careplan_bridge.sandbox.definitions import table
from careplan_bridge.sandbox.jsontext import Resource
from careplan_bridge.sandbox.parameters import Compare, parameters_of

_INTERACTIONS = ("read", "vread", "update", "delete", "history-instance", "create", "search-type")
_EVERY_TYPE = (("_id", Compare.TOKEN), ("_lastUpdated", Compare.DATE))
_WRITTEN = "2026-01-01"
SOFTWARE = "careplan-bridge sandbox"


def capability_statement(base: str, *, transactions: bool) -> Resource:
    whole = [{"code": "transaction"}] if transactions else []
    return {
        "resourceType": "CapabilityStatement",
        "status": "active",
        "date": _WRITTEN,
        "kind": "instance",
        "software": {"name": SOFTWARE},
        "implementation": {"description": "Rehearsal server on loopback; holds invented data only", "url": base},
        "fhirVersion": "4.0.1",
        "format": ["application/fhir+json"],
        "rest": [{"mode": "server", "resource": _resources(), "interaction": [*whole, {"code": "batch"}]}],
    }


def _resources() -> list[Resource]:
    return [_resource(name) for name in table().resources]


def _resource(name: str) -> Resource:
    return {
        "type": name,
        "interaction": [{"code": code} for code in _INTERACTIONS],
        "versioning": "versioned-update",
        "readHistory": True,
        "updateCreate": True,
        "conditionalCreate": True,
        "conditionalRead": "not-match",
        "referencePolicy": ["literal", "logical", "enforced"],
        "searchParam": [{"name": parameter, "type": kind.value} for parameter, kind in _search_parameters(name)],
    }


def _search_parameters(name: str) -> list[tuple[str, Compare]]:
    own = [(parameter.name, parameter.compare) for parameter in parameters_of(name).values()]
    return sorted([*_EVERY_TYPE, *own])
