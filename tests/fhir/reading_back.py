"""A criterion made again from its extension alone: what this gives equals the criterion, if the extension carries all of it."""

from collections.abc import Iterator
from decimal import Decimal
from typing import Any, cast

import msgspec

from careplan_bridge.fhir.elements import Element
from careplan_bridge.model import fhir_names as names
from careplan_bridge.model.criterion import (
    AllOf,
    Alternative,
    AnyOf,
    AtLeastOf,
    Change,
    Condition,
    Criterion,
    FindingIs,
    FirstDoneOf,
    Measured,
    OtherSide,
    TimeSince,
    WithinBounds,
)
from careplan_bridge.model.value import Bounds, Threshold


def criterion(extension: Element, says: str) -> Criterion:
    assert extension["url"] == names.CRITERION_EXTENSION
    return Criterion(
        id=_one(extension, "id"),
        says=says,
        condition=condition(next(_all(extension, names.CONDITION_EXTENSION))),
        no_older_than=_days(extension, "noOlderThan"),
        expected_by=_days(extension, "expectedBy"),
        call_surgeon_by=_days(extension, "callSurgeonBy"),
        accepts=tuple(_value(part) for part in _all(extension, "accepts")),
    )


def condition(extension: Element) -> Condition:  # noqa: PLR0911 - one answer a kind
    match _one(extension, "kind"):
        case "threshold":
            row = _one(extension, "visitsInARow") or 1
            return WithinBounds(measured=_measured(extension), bounds=_bounds(extension), visits_in_a_row=row)
        case "other-side":
            return OtherSide(
                measured=_measured(extension),
                index=_inner_bounds(extension, "index"),
                difference=_inner_bounds(extension, "difference"),
            )
        case "change":
            return Change(measured=_measured(extension), bounds=_bounds(extension), since=_one(extension, "since"))
        case "time":
            return TimeSince(at_least=_days(extension, "atLeast") or 0, surgery=_one(extension, "surgery"))
        case "finding":
            found = _one(extension, "finding")
            return FindingIs(
                finding=found["coding"][0]["code"], text=found["text"], expected=_one(extension, "expected")
            )
        case "all-of":
            return AllOf(conditions=_conditions(extension))
        case "any-of":
            return AnyOf(conditions=_conditions(extension))
        case "at-least-of":
            return AtLeastOf(count=_one(extension, "count"), conditions=_conditions(extension))
        case "first-done-of":
            return FirstDoneOf(alternatives=tuple(_rung(part) for part in _all(extension, names.CONDITION_EXTENSION)))
        case other:
            raise AssertionError(f"no kind of condition: {other}")


def qualifiers(element: Element) -> dict[str, str]:
    """Side and qualifiers, by name."""
    return {
        _one(part, "name"): _words(_one(part, "value")) for part in _all(element, names.MEASURE_QUALIFIER_EXTENSION)
    }


def number(quantity: Element) -> Decimal:
    value = quantity["value"]
    return Decimal(bytes(value).decode()) if isinstance(value, msgspec.Raw) else Decimal(value)


def _rung(extension: Element) -> Alternative:
    inner = cast("WithinBounds | OtherSide | Change", condition(extension))
    return Alternative(condition=inner, not_before=_days(extension, "notBefore"), needs=_one(extension, "needs"))


def _measured(extension: Element) -> Measured:
    found = qualifiers(extension)
    side = found.pop("side", None)
    return Measured(measure=_one(extension, "measure")["coding"][0]["code"], side=side, qualifiers=found)


def _bounds(extension: Element) -> Bounds:
    return Bounds(
        low=_threshold(_one(extension, "low")),
        high=_threshold(_one(extension, "high")),
        low_included=_one(extension, "lowIncluded") is not False,
        high_included=_one(extension, "highIncluded") is not False,
    )


def _inner_bounds(extension: Element, name: str) -> Bounds | None:
    return next((_bounds(part) for part in _all(extension, name)), None)


def _threshold(value: Any) -> Threshold | None:
    if value is None:
        return None
    return Threshold(level=value) if isinstance(value, str) else Threshold(number=number(value))


def _conditions(extension: Element) -> tuple[Condition, ...]:
    return tuple(condition(part) for part in _all(extension, names.CONDITION_EXTENSION))


def _days(extension: Element, name: str) -> int | None:
    found = _one(extension, name)
    return None if found is None else int(number(found))


def _words(value: Any) -> str:
    return value if isinstance(value, str) else f"{number(value)} {value['code']}"


def _one(extension: Element, name: str) -> Any:
    return next((_value(part) for part in _all(extension, name)), None)


def _value(part: Element) -> Any:
    return next(value for key, value in part.items() if key.startswith("value"))


def _all(element: Element, url: str) -> Iterator[Element]:
    return (part for part in cast("list[Element]", element.get("extension") or []) if part["url"] == url)
