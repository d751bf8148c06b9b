"""The invariants of R4 that are cheap to compute, by the type they hold for; each answers True where it is kept."""

from collections.abc import Callable, Iterator
from typing import TypeAlias

from careplan_bridge.sandbox import moments, units
from careplan_bridge.sandbox.jsontext import Resource, is_array, is_object, number
from careplan_bridge.sandbox.outcome import Issue

Rule: TypeAlias = tuple[str, str, Callable[[Resource], bool]]


def broken_invariants(node: Resource, type_name: str, where: str) -> Iterator[Issue]:
    # What is contained may refer to its neighbours, so containment is judged from the resource around it.
    outermost = "resourceType" in node and not where.endswith("]")
    rules = [*_RULES.get(type_name, ()), *(_DOMAIN if outermost else ())]
    for key, says, is_kept in rules:
        try:
            kept = is_kept(node)
        except (AttributeError, KeyError, TypeError, ValueError):
            continue  # the shape is wrong, which is reported where it is
        if not kept:
            yield Issue("invariant", f"{key}: {says}", where)


def _has(node: Resource, stem: str) -> bool:
    """Is the element there, under any of its types?"""
    names = (name.removeprefix("_") for name in node)
    return any(name == stem or (name.startswith(stem) and name[len(stem)].isupper()) for name in names)


def _not_both(first: str, second: str) -> Callable[[Resource], bool]:
    return lambda node: not (_has(node, first) and _has(node, second))


def _exactly_one(first: str, second: str) -> Callable[[Resource], bool]:
    return lambda node: _has(node, first) != _has(node, second)


def _needs(*any_of: str, when: str = "") -> Callable[[Resource], bool]:
    return lambda node: (bool(when) and not _has(node, when)) or any(_has(node, stem) for stem in any_of)


def _ordered_quantities(node: Resource) -> bool:
    low, high = (number(node.get(end, {}).get("value")) for end in ("low", "high"))
    return low is None or high is None or low <= high


def _ordered_period(node: Resource) -> bool:
    if "start" not in node or "end" not in node:
        return True
    return moments.span(node["start"]).low <= moments.span(node["end"]).high


def _component_codes_differ(node: Resource) -> bool:
    if not _has(node, "value"):
        return True
    own = _codings(node["code"])
    return not any(own & _codings(component["code"]) for component in node.get("component", []))


def _codings(concept: Resource) -> set[tuple[object, object]]:
    return {(coding.get("system"), coding.get("code")) for coding in concept.get("coding", [])}


def _unique_link_ids(node: Resource) -> bool:
    ids = list(_link_ids(node))
    return len(ids) == len(set(ids))


def _link_ids(node: Resource) -> Iterator[str]:
    for item in node.get("item", []):
        yield item["linkId"]
        yield from _link_ids(item)


def _contained_not_nested(node: Resource) -> bool:
    return not any("contained" in inner for inner in node.get("contained", []))


def _contained_unversioned(node: Resource) -> bool:
    metas = [inner.get("meta", {}) for inner in node.get("contained", [])]
    return not any("versionId" in meta or "lastUpdated" in meta for meta in metas)


def _contained_unsecured(node: Resource) -> bool:
    return not any("security" in inner.get("meta", {}) for inner in node.get("contained", []))


def _contained_is_used(node: Resource) -> bool:
    pointers = set(_strings(node))
    inward = {inner.get("id") for inner in node.get("contained", []) if "#" in set(_strings(inner))}
    return all(f"#{inner.get('id')}" in pointers or inner.get("id") in inward for inner in node.get("contained", []))


def _local_references_resolve(node: Resource) -> bool:
    ids = {f"#{inner.get('id')}" for inner in node.get("contained", [])} | {"#"}
    return all(literal in ids for literal in _local_literals(node))


def _local_literals(node: object) -> Iterator[str]:
    for name, value in _leaves(node):
        if name == "reference" and value.startswith("#"):
            yield value


def _strings(node: object) -> Iterator[str]:
    return (value for _, value in _leaves(node))


def _leaves(node: object, name: str = "") -> Iterator[tuple[str, str]]:
    if is_object(node):
        for key, value in node.items():
            yield from _leaves(value, key)
    elif is_array(node):
        for member in node:
            yield from _leaves(member, name)
    elif isinstance(node, str):
        yield name, node


def _is_ucum(node: Resource) -> bool:
    return "code" not in node or (node.get("system") == units.UCUM and "value" in node)


def _is_known_unit(node: Resource) -> bool:
    code = node.get("code")
    return node.get("system") != units.UCUM or not isinstance(code, str) or units.is_ucum(code)


def _entries(check: Callable[[Resource, Resource], bool]) -> Callable[[Resource], bool]:
    return lambda bundle: all(check(bundle, entry) for entry in bundle.get("entry", []))


def _kind(bundle: Resource, *kinds: str) -> bool:
    return bundle.get("type") in kinds


_ASKS = ("batch", "transaction")
_ANSWERS = ("batch-response", "transaction-response")


def _entry_request(bundle: Resource, entry: Resource) -> bool:
    return ("request" in entry) == _kind(bundle, *_ASKS, "history")


def _entry_response(bundle: Resource, entry: Resource) -> bool:
    return ("response" in entry) == _kind(bundle, *_ANSWERS, "history")


def _has_full_url(bundle: Resource, entry: Resource) -> bool:
    """No invariant of R4; HAPI with validation on refuses such a Bundle, so a client had better send it."""
    return "resource" not in entry or "fullUrl" in entry or _kind(bundle, *_ANSWERS)


def _unique_full_urls(bundle: Resource) -> bool:
    if _kind(bundle, "history"):
        return True
    keys = [(e["fullUrl"], e.get("resource", {}).get("meta", {}).get("versionId")) for e in _with_url(bundle)]
    return len(keys) == len(set(keys))


def _with_url(bundle: Resource) -> list[Resource]:
    return [entry for entry in bundle.get("entry", []) if "fullUrl" in entry]


def _full_url_is_unversioned(entry: Resource) -> bool:
    return "/_history/" not in entry.get("fullUrl", "")


def _ratio_is_whole(node: Resource) -> bool:
    both_or_none = ("numerator" in node) == ("denominator" in node)
    return both_or_none and ("numerator" in node or "extension" in node)


def _display_is_no_question(item: Resource) -> bool:
    return item.get("type") != "display" or ("required" not in item and "repeats" not in item)


def _enabling_is_clear(item: Resource) -> bool:
    conditions: list[object] = item.get("enableWhen", [])
    return not conditions[1:] or "enableBehavior" in item


def _action_has_one_kind(node: Resource) -> bool:
    return ("resource" in node) != ("action" in node)


def _trigger_is_whole(node: Resource) -> bool:
    kind = node.get("type", "")
    needed = {"named-event": "name", "periodic": "timing"}.get(kind, "data" if kind.startswith("data-") else "type")
    return _has(node, needed)


_DURATION: tuple[Rule, ...] = (("drt-1", "a code needs a value and the UCUM system", _is_ucum),)
_NAMED_UNIT: Rule = ("qty-3", "a code needs a system", _needs("system", when="code"))
_KNOWN_UNIT: Rule = ("UCUM", "the code is not a unit of UCUM, whose system it names", _is_known_unit)
_QUANTITY = (_NAMED_UNIT, _KNOWN_UNIT)

_DOMAIN: tuple[Rule, ...] = (
    ("dom-2", "a contained resource contains none itself", _contained_not_nested),
    ("dom-3", "a contained resource is referred to from elsewhere in the resource", _contained_is_used),
    ("dom-4", "a contained resource has no version and no lastUpdated", _contained_unversioned),
    ("dom-5", "a contained resource has no security label", _contained_unsecured),
    ("ref-1", "a local reference needs its contained resource", _local_references_resolve),
)

_RULES: dict[str, tuple[Rule, ...]] = {
    "Age": _QUANTITY,
    "Attachment": (("att-1", "data needs a contentType", _needs("contentType", when="data")),),
    "Bundle": (
        (
            "bdl-1",
            "total stands only in a searchset or history",
            lambda b: "total" not in b or _kind(b, "searchset", "history"),
        ),
        (
            "bdl-2",
            "entry.search stands only in a searchset",
            _entries(lambda b, e: "search" not in e or _kind(b, "searchset")),
        ),
        (
            "bdl-3",
            "entry.request is needed in a batch, transaction or history, and nowhere else",
            _entries(_entry_request),
        ),
        ("bdl-4", "entry.response is needed in a response or history, and nowhere else", _entries(_entry_response)),
        ("fullUrl", "an entry with a resource needs a fullUrl", _entries(_has_full_url)),
        ("bdl-7", "fullUrl is unique, or the versions differ", _unique_full_urls),
    ),
    "Bundle.entry": (
        ("bdl-5", "an entry has a resource, a request or a response", _needs("resource", "request", "response")),
        ("bdl-8", "fullUrl names no version", _full_url_is_unversioned),
    ),
    "CarePlan.activity": (
        ("cpl-3", "an activity has a reference or a detail, not both", _not_both("detail", "reference")),
    ),
    "ContactPoint": (("cpt-2", "a value needs a system", _needs("system", when="value")),),
    "Distance": _QUANTITY,
    "Duration": (*_QUANTITY, *_DURATION),
    "Expression": (("exp-1", "an expression or a reference is needed", _needs("expression", "reference")),),
    "Extension": (
        (
            "ext-1",
            "an extension has a value or extensions, not both and not neither",
            _exactly_one("extension", "value"),
        ),
    ),
    "Goal.target": (("gol-1", "a detail needs a measure", _needs("measure", when="detail")),),
    "Observation": (
        ("obs-6", "dataAbsentReason stands only where there is no value", _not_both("dataAbsentReason", "value")),
        ("obs-7", "no value where a component has the same code", _component_codes_differ),
    ),
    "Observation.referenceRange": (("obs-3", "low, high or text is needed", _needs("low", "high", "text")),),
    "Organization": (("org-1", "an identifier or a name is needed", _needs("identifier", "name")),),
    "Patient.contact": (
        (
            "pat-1",
            "name, telecom, address or organization is needed",
            _needs("name", "telecom", "address", "organization"),
        ),
    ),
    "Period": (("per-1", "start is not after end", _ordered_period),),
    "Quantity": _QUANTITY,
    "Questionnaire": (("que-2", "every linkId is unique", _unique_link_ids),),
    "Questionnaire.item": (
        ("que-4", "answerOption and answerValueSet exclude each other", _not_both("answerOption", "answerValueSet")),
        ("que-1a", "a group has items", lambda i: i.get("type") != "group" or "item" in i),
        ("que-1b", "a display has no items", lambda i: i.get("type") != "display" or "item" not in i),
        ("que-3", "a display has no code", lambda i: i.get("type") != "display" or "code" not in i),
        ("que-6", "a display is neither required nor repeated", _display_is_no_question),
        ("que-12", "several enableWhen need an enableBehavior", _enabling_is_clear),
    ),
    "QuestionnaireResponse.item": (("qrs-1", "an item has items or answers, not both", _not_both("answer", "item")),),
    "Range": (("rng-2", "low is not above high", _ordered_quantities),),
    "Ratio": (("rat-1", "numerator and denominator stand together, or an extension alone", _ratio_is_whole),),
    "RequestGroup.action": (
        ("rqg-1", "an action has a resource or actions, not both and not neither", _action_has_one_kind),
    ),
    "StructureDefinition": (
        ("sdf-6", "a snapshot or a differential is needed", _needs("snapshot", "differential", when="derivation")),
    ),
    "Timing.repeat": (
        ("tim-1", "a duration needs its unit", _needs("durationUnit", when="duration")),
        ("tim-2", "a period needs its unit", _needs("periodUnit", when="period")),
        ("tim-6", "durationMax needs a duration", _needs("duration", when="durationMax")),
        ("tim-7", "periodMax needs a period", _needs("period", when="periodMax")),
    ),
    "TriggerDefinition": (
        ("trd-2", "data needs a type that begins with data-", lambda t: "condition" not in t or "data" in t),
        ("trd-3", "a named event needs its name, a periodic one its timing, a data event its data", _trigger_is_whole),
    ),
}
