"""The kinds of value in our TOML files. TOML says itself what is text, number or list; nothing is turned into another kind."""

from datetime import date
from decimal import Decimal
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field, StrictBool, StrictInt, StrictStr, WithJsonSchema

from careplan_bridge.syntax.values import fault

_LARGEST = Decimal(10) ** 9


def _filled(text: str) -> str:
    if not text.strip():
        raise fault("this text is empty", "write a text, or take the key out")
    if text != text.strip():
        raise fault("this text begins or ends with a space", "take the space out")
    return text


def _decimal(value: Any) -> Decimal:
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        raise fault("this must be a number", "write a number, without quotation marks")
    number = Decimal(value)
    if not number.is_finite() or abs(number) > _LARGEST:
        raise fault("this number cannot be used", "write an ordinary number")
    return number


def _day(value: Any) -> str:
    text = value.isoformat() if type(value) is date else value
    try:
        return (
            date.fromisoformat(text).isoformat()
            if isinstance(text, str) and len(text) == len("2026-01-01")
            else _no_day()
        )
    except ValueError:
        return _no_day()


def _no_day() -> str:
    raise fault("this is no date", 'write year-month-day, as in "2026-01-01"')


Word = Annotated[StrictStr, AfterValidator(_filled)]
Flag = StrictBool
Whole = Annotated[StrictInt, Field(ge=1, le=1_000_000)]
Number = Annotated[Decimal, BeforeValidator(_decimal), WithJsonSchema({"type": "number"})]
Seconds = Annotated[
    float,
    BeforeValidator(_decimal),
    Field(gt=0, le=3600),
    WithJsonSchema({"type": "number", "exclusiveMinimum": 0, "maximum": 3600}),
]
Day = Annotated[str, BeforeValidator(_day), WithJsonSchema({"type": "string", "format": "date"})]
