"""The order of an ordinal measure's levels, as far as it is established.

A level may carry a number (`PWB 50%` is the level `PWB n%` with 50); such levels are ordered by it. What is not established
is answered with None, never with a guess: the order of a scale that nobody wrote down, and single pairs that trade and
literature disagree about.
"""

import re
from decimal import Decimal
from functools import lru_cache
from typing import Literal, NamedTuple

from careplan_bridge.model.measure import LevelNumber, Measure

Order = Literal[-1, 0, 1]


class _Place(NamedTuple):
    rank: int
    number: Decimal


def order(measure: Measure, a: str, b: str) -> Order | None:
    """-1 if level `a` comes before `b` on the scale, 0 if they are the same, 1 if it comes after; None if not established.

    None, too, where one of them is no level of the measure.
    """
    first, second = _place(measure, a), _place(measure, b)
    if first is None or second is None:
        return None
    if first == second:
        return 0
    if not measure.order_established or _undecided(measure, first, second):
        return None
    return -1 if first < second else 1


def known(measure: Measure, level: str) -> bool:
    """Is this a level of the measure, with its number where it needs one?"""
    return _place(measure, level) is not None


def level(measure: Measure, written: str) -> str | None:
    """The level's own name for what somebody wrote: `Trace` is trace, `pwb 50 %` is PWB 50%; None if it is no level."""
    text = " ".join(written.split())
    if known(measure, text) and measure.level_number is None:
        return text
    by_case = {name.casefold(): name for name in measure.levels if known(measure, name)}
    return by_case.get(text.casefold()) or _numbered_name(measure, text)


def _undecided(measure: Measure, first: _Place, second: _Place) -> bool:
    pair = {measure.levels[first.rank], measure.levels[second.rank]}
    return any(pair == set(names) for names in measure.undecided)


def _place(measure: Measure, name: str) -> _Place | None:
    numbered = measure.level_number
    if numbered is not None:
        number = _number(numbered, name, exact=True)
        if number is not None:
            return _Place(measure.levels.index(numbered.level), number)
        if numbered.required and name == numbered.level:
            return None
    return _Place(measure.levels.index(name), Decimal(0)) if name in measure.levels else None


def _numbered_name(measure: Measure, text: str) -> str | None:
    numbered = measure.level_number
    number = None if numbered is None else _number(numbered, text, exact=False)
    if numbered is None or number is None:
        return None
    before, after = _around(numbered.level)
    return f"{before}{number:f}{after}"


def _number(numbered: LevelNumber, text: str, *, exact: bool) -> Decimal | None:
    found = _pattern(numbered.level, exact=exact).fullmatch(text)
    return Decimal(found[1]) if found else None


@lru_cache(maxsize=64)
def _pattern(name: str, *, exact: bool) -> re.Pattern[str]:
    """`exact` takes the name as the catalogue writes it; otherwise case and blanks do not matter."""
    before, after = _around(name)
    number = r"([0-9]{1,6}(?:\.[0-9]{1,6})?)"
    if exact:
        return re.compile(re.escape(before) + number + re.escape(after))
    return re.compile(rf"{re.escape(before.strip())}\s*{number}\s*{re.escape(after.strip())}", re.IGNORECASE)


def _around(name: str) -> tuple[str, str]:
    """What stands before and after the `n` of a numbered level's name."""
    before, after = re.split(r"\bn\b", name, maxsplit=1)
    return before, after
