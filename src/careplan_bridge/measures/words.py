"""Values written as text, as far as they can mean one thing only.

Each form is one entry of `_FORMS`: a pattern and what it says. Text that fits none is not understood; nothing is guessed and
nothing is skipped over.
"""

import re
from decimal import Decimal
from typing import NamedTuple

from careplan_bridge.measures.numbers import decimal
from careplan_bridge.measures.refusal import Refused
from careplan_bridge.model.conventions import Conventions
from careplan_bridge.model.measure import Measure
from careplan_bridge.model.scale import level

_DASH, _AT_MOST, _AT_LEAST = "\u2013", "\u2264", "\u2265"
_NUMBER = r"(?:[0-9]{1,9}(?:[.,][0-9]{1,9})?)"
_UNIT = r"""(?:\s*([A-Za-z%{\['"\u00b0\u00ba][^\s<>=]{0,19}))?"""
_TO = rf"\s*(?:-|{_DASH}|to)\s*"

_EXACT = re.compile(rf"([+-]?)({_NUMBER}){_UNIT}")
_COMPARED = re.compile(rf"(<=|>=|<|>|{_AT_MOST}|{_AT_LEAST})\s*({_NUMBER}){_UNIT}")
_OUT_OF = re.compile(rf"(?:({_NUMBER}){_TO})?({_NUMBER})\s*/\s*([0-9]{{1,3}})")
_BETWEEN = re.compile(rf"({_NUMBER}){_TO}({_NUMBER}){_UNIT}")
_TRIPLE = re.compile(rf"({_NUMBER})-({_NUMBER})-({_NUMBER}){_UNIT}")
_COMPARATORS = {_AT_MOST: "<=", _AT_LEAST: ">="}


class Said(NamedTuple):
    """Numbers with what joins them: one number (`sign`, `comparator`), two (`span`) or three; `unit` as written."""

    numbers: tuple[Decimal, ...]
    unit: str | None = None
    sign: str = ""
    comparator: str | None = None
    out_of: int | None = None


def numbers(text: str, conventions: Conventions) -> Said | None:
    """What the text says in numbers; None if it is no such text. Raises Refused for numbers that are none."""
    for pattern, say in _FORMS:
        found = pattern.fullmatch(text)
        if found is not None:
            return say(found, conventions)
    return None


def level_of(measure: Measure, text: str) -> str | None:
    """The level that the text names; `4+/5` names 4+ on a scale that ends with 5."""
    named, stroke, last = text.rpartition("/")
    if stroke and measure.levels and last.strip() == measure.levels[-1]:
        text = named
    return level(measure, text)


def _exact(found: re.Match[str], site: Conventions) -> Said:
    return Said((_number(found[2], site),), found[3], sign=found[1])


def _compared(found: re.Match[str], site: Conventions) -> Said:
    return Said((_number(found[2], site),), found[3], comparator=_COMPARATORS.get(found[1], found[1]))


def _out_of(found: re.Match[str], site: Conventions) -> Said:
    given = tuple(_number(one, site) for one in (found[1], found[2]) if one is not None)
    return Said(given, out_of=int(found[3]))


def _between(found: re.Match[str], site: Conventions) -> Said:
    return Said((_number(found[1], site), _number(found[2], site)), found[3])


def _triple(found: re.Match[str], site: Conventions) -> Said:
    return Said(tuple(_number(found[place], site) for place in (1, 2, 3)), found[4])


_FORMS = (
    (_EXACT, _exact),
    (_COMPARED, _compared),
    (_OUT_OF, _out_of),
    (_BETWEEN, _between),
    (_TRIPLE, _triple),
)


def _number(written: str, site: Conventions) -> Decimal:
    """A comma parts decimals only where the site says so, and then a point does not."""
    mark = "," if "," in written else "." if "." in written else None
    if mark is not None and mark != (site.decimal or "."):
        raise Refused("decimal-undeclared")
    return decimal(written.replace(",", "."))
