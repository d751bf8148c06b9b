"""The small parts that resources are made of: codes, quantities, references, dates. Every part is a plain dict."""

from collections.abc import Sequence
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any, cast

import msgspec

from careplan_bridge.model.calendar import date_of
from careplan_bridge.model.fhir_names import UCUM

Element = dict[str, Any]
Resource = dict[str, Any]

# What a person reads beside a UCUM code.
_SHOWN_UNITS = {"deg": "degree", "d": "day", "{score}": "points", "%": "%"}


def coding(system: str, code: str, display: str | None = None) -> Element:
    return _present(system=system, code=code, display=display)


def concept(system: str, code: str, *, display: str | None = None, text: str | None = None) -> Element:
    """A CodeableConcept with one coding."""
    return _present(coding=[coding(system, code, display)], text=text)


def number(value: Decimal) -> int | msgspec.Raw:
    """A JSON number with the digits of the decimal: 90.0 stays 90.0."""
    text = f"{value:f}"
    return msgspec.Raw(text.encode()) if "." in text else int(text)


def quantity(value: Decimal, unit: str) -> Element:
    """A Quantity in a UCUM unit."""
    return {"value": number(value), "unit": _SHOWN_UNITS.get(unit, unit), "system": UCUM, "code": unit}


def days(count: int) -> Element:
    """A Duration."""
    return quantity(Decimal(count), "d")


def extension(url: str, **value: Any) -> Element:
    """A simple extension: `extension(url, valueCode="x")`."""
    return {"url": url, **value}


def compound(url: str, parts: Sequence[Element]) -> Element:
    """An extension made of extensions."""
    return {"url": url, "extension": list(parts)}


def reference(target: str) -> Element:
    return {"reference": target}


def day(surgery: date, after: int) -> str:
    """The calendar date of a day after surgery."""
    return date_of(surgery, after).isoformat()


def period(surgery: date, from_day: int, before_day: int | None) -> Element:
    """A Period of whole days; its end is included in FHIR, so it is the day before `before_day`.

    What is over before it would begin has an end only.
    """
    end = None if before_day is None else day(surgery, before_day - 1)
    start = None if before_day is not None and before_day <= from_day else day(surgery, from_day)
    return _present(start=start, end=end)


def markdown(text: str) -> str:
    """Plain text for an element that is shown as markdown: what looks like a tag is to be read, not obeyed."""
    return text.replace("<", "&lt;")


def instant(moment: datetime) -> str:
    """A FHIR instant in UTC, to the second or, where the moment has parts of one, to the millisecond."""
    spec = "milliseconds" if moment.microsecond else "seconds"
    return moment.astimezone(UTC).isoformat(timespec=spec).replace("+00:00", "Z")


def members(element: Element, name: str) -> list[Element]:
    """The elements of a list that may not be there."""
    return cast("list[Element]", element.get(name) or [])


def filled(resource: Element) -> Element:
    """Without members that say nothing: FHIR has neither null nor empty lists, objects or strings."""
    return {name: value for name, value in resource.items() if value not in (None, "", [], {}, ())}


def _present(**members: Any) -> Element:
    return {name: value for name, value in members.items() if value is not None}
