"""The kinds of value that our files share, read from text: ids, days, dates, yes and no.

Days are whole numbers. A week has seven; a month has no fixed length and is refused.
"""

import re
from datetime import date
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field, WithJsonSchema
from pydantic_core import PydanticCustomError

LONGEST = 3650  # days; ten years, so that no date can leave the calendar
_ID = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")
_SPAN = re.compile(r"(\d{1,5}) ?([a-z]+)")
_POINT = re.compile(r"([a-z]+) ?(\d{1,5})")
_DATE = re.compile(r"(?:19|20|21)\d\d-\d\d-\d\d")
_DAYS_OF = {"day": 1, "days": 1, "week": 7, "weeks": 7}
_MONTHS = ("month", "months", "year", "years", "mo")
_LONGEST_ID = 64  # FHIR's limit for an id
_LONGEST_TEXT = 2000


def fault(what: str, mend: str) -> PydanticCustomError:
    # A brace would be taken for a place to fill in.
    return PydanticCustomError("value", "{what}", {"what": what, "mend": mend})


def _text(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    text = value.strip()
    if not text:
        raise fault("this text is empty", "write a text, or take the key out")
    if len(text) > _LONGEST_TEXT:
        raise fault(f"this text has {len(text)} characters", f"write at most {_LONGEST_TEXT}")
    return text


def _id(value: str) -> str:
    if not _ID.fullmatch(value) or len(value) > _LONGEST_ID:
        raise fault(
            f"`{value[:80]}` is no id",
            f"an id has small letters, digits and single hyphens, at most {_LONGEST_ID} characters",
        )
    return value


def _span(value: Any) -> Any:
    """`10 days` or `4 weeks` as a number of days."""
    match = _SPAN.fullmatch(value.strip()) if isinstance(value, str) else None
    if match is None:
        raise fault(f"`{_short(value)}` is no span of time", "write it as `10 days` or `4 weeks`")
    return _days(int(match[1]), match[2])


def _point(value: Any) -> Any:
    """`day 10` or `week 4` as a day after surgery: week n begins on day 7n."""
    match = _POINT.fullmatch(value.strip()) if isinstance(value, str) else None
    if match is None:
        raise fault(f"`{_short(value)}` is no day after surgery", "write it as `day 10` or `week 4`")
    return _days(int(match[2]), match[1])


def _days(count: int, word: str) -> int:
    if word in _MONTHS:
        raise fault("a month or a year has no fixed length", "write it in weeks or days")
    if word not in _DAYS_OF:
        raise fault(f"`{word}` is no unit of time here", "write days or weeks")
    if count * _DAYS_OF[word] > LONGEST:
        raise fault("this lies more than ten years away", "write fewer days or weeks")
    return count * _DAYS_OF[word]


def _date(value: Any) -> Any:
    text = value.isoformat() if isinstance(value, date) else value
    if not isinstance(text, str) or not _DATE.fullmatch(text):
        raise fault(f"`{_short(value)}` is no date", "write year-month-day, as in 2026-03-02")
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise fault(f"there is no {text} in the calendar", "write a day that exists") from None


def _count(value: Any) -> Any:
    if not isinstance(value, str) or not re.fullmatch(r"[1-9]\d{0,2}", value.strip()):
        raise fault(f"`{_short(value)}` is no number of times", "write a whole number, 1 or more")
    return int(value)


_YES_NO = {"yes": True, "no": False, "true": True, "false": False}


def _yes_no(value: Any) -> Any:
    if not isinstance(value, str) or value.lower() not in _YES_NO:
        raise fault(f"`{_short(value)}` is neither yes nor no", "write yes or no")
    return _YES_NO[value.lower()]


def _short(value: Any) -> str:
    if isinstance(value, dict | list):
        return "a list" if isinstance(value, list) else "a group of keys"
    return str(value)[:40]


Text = Annotated[str, BeforeValidator(_text), Field(min_length=1)]
# Text that an editor may take for a number: a version, a level, a quantity.
Written = Annotated[str, BeforeValidator(_text), WithJsonSchema({"type": ["string", "number"]})]
Id = Annotated[
    Text,
    AfterValidator(_id),
    WithJsonSchema({"type": "string", "pattern": f"^{_ID.pattern}$", "maxLength": _LONGEST_ID}),
]
Span = Annotated[
    int, BeforeValidator(_span), WithJsonSchema({"type": "string", "pattern": r"^\d{1,5} ?(days?|weeks?)$"})
]
DayPoint = Annotated[
    int, BeforeValidator(_point), WithJsonSchema({"type": "string", "pattern": r"^(day|week) ?\d{1,5}$"})
]
Date = Annotated[date, BeforeValidator(_date), WithJsonSchema({"type": "string", "format": "date"})]
Count = Annotated[int, BeforeValidator(_count), WithJsonSchema({"type": "integer", "minimum": 1})]
YesNo = Annotated[bool, BeforeValidator(_yes_no), WithJsonSchema({"enum": [True, False, "yes", "no"]})]
