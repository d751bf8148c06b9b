"""Required codes and invariants of R4, checked on everything we emit: the Python models check neither.

Only what our resources use is listed; tests hold the table against what is emitted. A violation is a fault of ours.
"""

from collections.abc import Callable, Iterator
from datetime import date, datetime
from decimal import Decimal
from typing import Any, cast

import msgspec

from careplan_bridge.errors import OurFault
from careplan_bridge.fhir.elements import Element, Resource, members
from careplan_bridge.model.fhir_names import UCUM

_PUBLICATION = frozenset({"draft", "active", "retired", "unknown"})
_REQUEST_KINDS = frozenset(
    {
        "Appointment",
        "CommunicationRequest",
        "DeviceRequest",
        "MedicationRequest",
        "NutritionOrder",
        "ServiceRequest",
        "Task",
        "VisionPrescription",
    }
)
_BEHAVIOUR = {
    "groupingBehavior": frozenset({"visual-group", "logical-group", "sentence-group"}),
    "selectionBehavior": frozenset({"any", "all", "all-or-none", "exactly-one", "at-most-one", "one-or-more"}),
    "requiredBehavior": frozenset({"must", "could", "must-unless-documented"}),
    "cardinalityBehavior": frozenset({"single", "multiple"}),
}

# Path without indexes; elements that nest in themselves (action, item, concept) stand once.
REQUIRED = {
    "CarePlan.status": frozenset({"draft", "active", "on-hold", "revoked", "completed", "entered-in-error", "unknown"}),
    "CarePlan.intent": frozenset({"proposal", "plan", "order", "option"}),
    "CarePlan.activity.detail.kind": _REQUEST_KINDS,
    "CarePlan.activity.detail.status": frozenset(
        {
            "not-started",
            "scheduled",
            "in-progress",
            "on-hold",
            "completed",
            "cancelled",
            "stopped",
            "unknown",
            "entered-in-error",
        }
    ),
    "Goal.lifecycleStatus": frozenset(
        {
            "proposed",
            "planned",
            "accepted",
            "active",
            "on-hold",
            "completed",
            "cancelled",
            "entered-in-error",
            "rejected",
        }
    ),
    "Provenance.entity.role": frozenset({"derivation", "revision", "quotation", "source", "removal"}),
    "PlanDefinition.status": _PUBLICATION,
    "PlanDefinition.action.relatedAction.relationship": frozenset(
        {
            "before-start",
            "before",
            "before-end",
            "concurrent-with-start",
            "concurrent",
            "concurrent-with-end",
            "after-start",
            "after",
            "after-end",
        }
    ),
    **{f"PlanDefinition.action.{name}": codes for name, codes in _BEHAVIOUR.items()},
    "ActivityDefinition.status": _PUBLICATION,
    "ActivityDefinition.kind": _REQUEST_KINDS
    | {"CarePlan", "Claim", "Contract", "EnrollmentRequest", "ImmunizationRecommendation"},
    "ActivityDefinition.intent": frozenset(
        {
            "proposal",
            "plan",
            "directive",
            "order",
            "original-order",
            "reflex-order",
            "filler-order",
            "instance-order",
            "option",
        }
    ),
    "Questionnaire.status": _PUBLICATION,
    "Questionnaire.item.type": frozenset(
        {"group", "display", "decimal", "integer", "date", "string", "text", "choice", "quantity"}
    ),
    "ConceptMap.status": _PUBLICATION,
    "ConceptMap.group.element.target.equivalence": frozenset(
        {
            "relatedto",
            "equivalent",
            "equal",
            "wider",
            "subsumes",
            "narrower",
            "specializes",
            "inexact",
            "unmatched",
            "disjoint",
        }
    ),
    "CodeSystem.status": _PUBLICATION,
    "CodeSystem.content": frozenset({"not-present", "example", "fragment", "complete", "supplement"}),
    "CodeSystem.hierarchyMeaning": frozenset({"grouped-by", "is-a", "part-of", "classified-with"}),
    "CodeSystem.property.type": frozenset({"code", "Coding", "string", "integer", "boolean", "dateTime", "decimal"}),
    "StructureDefinition.status": _PUBLICATION,
    "StructureDefinition.kind": frozenset({"primitive-type", "complex-type", "resource", "logical"}),
    "StructureDefinition.derivation": frozenset({"specialization", "constraint"}),
    "StructureDefinition.context.type": frozenset({"fhirpath", "element", "extension"}),
    "Bundle.type": frozenset(
        {
            "document",
            "message",
            "transaction",
            "transaction-response",
            "batch",
            "batch-response",
            "history",
            "searchset",
            "collection",
        }
    ),
    "Bundle.entry.request.method": frozenset({"GET", "HEAD", "POST", "PUT", "DELETE", "PATCH"}),
}
_NARRATIVE = frozenset({"generated", "extensions", "additional", "empty"})
_NESTING = frozenset({"action", "item", "concept", "extension"})


def check(resource: Resource) -> Resource:
    """The resource itself. Raises OurFault naming every element that breaks a required binding or an invariant."""
    found = list(violations(resource))
    if found:
        raise OurFault(f"A {resource['resourceType']} we made is not valid FHIR: {'; '.join(found)}.")
    return resource


def violations(resource: Resource) -> Iterator[str]:
    """What is wrong, each with its path."""
    for path, element in _elements(resource, resource["resourceType"]):
        yield from _wrong_codes(path, element)
        yield from (f"{path}: {rule}" for rule, broken in RULES.items() if broken(path, element))


def _elements(element: Element, path: str) -> Iterator[tuple[str, Element]]:
    yield path, element
    for name, value in element.items():
        below = path if path.rsplit(".", 1)[-1] == name and name in _NESTING else f"{path}.{name}"
        for inner in cast("list[Any]", value) if isinstance(value, list) else [value]:
            if isinstance(inner, dict):
                resource = cast("Element", inner)
                yield from _elements(resource, resource.get("resourceType", below))


def _wrong_codes(path: str, element: Element) -> Iterator[str]:
    for name, value in element.items():
        codes = _NARRATIVE if (path.endswith(".text") and name == "status") else REQUIRED.get(f"{path}.{name}")
        if codes is not None and value not in codes:
            yield f"{path}.{name} is {value!r}, which R4 does not have"


def _reference_and_detail(path: str, element: Element) -> bool:
    return path == "CarePlan.activity" and "reference" in element and "detail" in element


def _detail_without_measure(path: str, element: Element) -> bool:
    return path == "Goal.target" and "measure" not in element and any(name.startswith("detail") for name in element)


def _is_quantity(element: Element) -> bool:
    return "value" in element and ("code" in element or "unit" in element) and "url" not in element


def _code_without_system(_path: str, element: Element) -> bool:
    return _is_quantity(element) and "code" in element and "system" not in element


def _duration_without_ucum(path: str, element: Element) -> bool:
    return path.endswith("Duration") and "code" in element and element.get("system") != UCUM


def _comparator_in_a_range(path: str, element: Element) -> bool:
    return path.endswith((".low", ".high")) and "comparator" in element


def _range_turned_over(_path: str, element: Element) -> bool:
    low, high = element.get("low"), element.get("high")
    if not (isinstance(low, dict) and isinstance(high, dict)):
        return False
    return _number(cast("Element", low)) > _number(cast("Element", high))


def _period_turned_over(path: str, element: Element) -> bool:
    if not path.lower().endswith("period") or not {"start", "end"} <= element.keys():
        return False
    return _day(element["start"]) > _day(element["end"])


def _empty(_path: str, element: Element) -> bool:
    return not element or any(value in (None, "", [], {}) for value in element.values())


def _inexact_without_comment(path: str, element: Element) -> bool:
    is_inexact = element.get("equivalence") in ("narrower", "inexact")
    return path == "ConceptMap.group.element.target" and is_inexact and "comment" not in element


def _codes_not_unique(path: str, element: Element) -> bool:
    return path == "CodeSystem" and _repeats(one["code"] for one in members(element, "concept"))


def _link_ids_not_unique(path: str, element: Element) -> bool:
    links = (item.get("linkId") for where, item in _elements(element, path) if where == "Questionnaire.item")
    return path == "Questionnaire" and _repeats(links)


def _no_entry_request(path: str, element: Element) -> bool:
    is_sent = element.get("type") in ("transaction", "batch")
    return path == "Bundle" and is_sent and any("request" not in entry for entry in members(element, "entry"))


def _full_urls_not_unique(path: str, element: Element) -> bool:
    return path == "Bundle" and _repeats(entry.get("fullUrl") for entry in members(element, "entry"))


def _versioned_full_url(path: str, element: Element) -> bool:
    return path == "Bundle.entry" and "/_history/" in element.get("fullUrl", "")


def _unknown_goal(path: str, element: Element) -> bool:
    if path != "PlanDefinition":
        return False
    known = {goal["id"] for goal in members(element, "goal")}
    named = (
        goal
        for where, action in _elements(element, path)
        if where.endswith(".action")
        for goal in action.get("goalId", ())
    )
    return any(goal not in known for goal in named)


RULES: dict[str, Callable[[str, Element], bool]] = {
    "ele-1: an element says something": _empty,
    "cpl-3: an activity is a reference or a detail, not both": _reference_and_detail,
    "gol-1: a target's detail needs its measure": _detail_without_measure,
    "qty-3: a unit's code needs its system": _code_without_system,
    "drt-1: a duration is in UCUM": _duration_without_ucum,
    "sqty-1: no comparator within a range": _comparator_in_a_range,
    "rng-2: low is not above high": _range_turned_over,
    "per-1: start is not after end": _period_turned_over,
    "cmd-1: a narrower or inexact mapping needs a comment": _inexact_without_comment,
    "csd-1: codes are unique": _codes_not_unique,
    "que-2: link ids are unique": _link_ids_not_unique,
    "bdl-3: each entry of a transaction has a request": _no_entry_request,
    "bdl-7: full urls are unique": _full_urls_not_unique,
    "bdl-8: a full url has no version": _versioned_full_url,
    "an action's goal stands in the same PlanDefinition": _unknown_goal,
}


def _repeats(values: Iterator[Any]) -> bool:
    listed = list(values)
    return len(listed) != len(set(listed))


def _number(element: Element) -> Decimal:
    value = element.get("value")
    return Decimal(bytes(value).decode()) if isinstance(value, msgspec.Raw) else Decimal(cast("int", value))


def _day(written: str) -> date:
    return datetime.fromisoformat(written).date()
