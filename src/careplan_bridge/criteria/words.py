"""Values, bounds and days in words. Nothing here counts from today: the words of a check change only when the check does."""

from collections.abc import Iterable, Sequence
from decimal import Decimal
from fractions import Fraction

from careplan_bridge.criteria.calendar import Calendar
from careplan_bridge.criteria.entry import Entry
from careplan_bridge.criteria.interval import Interval, Number
from careplan_bridge.criteria.values import Levels, Possible, wanted
from careplan_bridge.model.criterion import Measured
from careplan_bridge.model.measure import Measure
from careplan_bridge.model.value import Amount, Bounds, Threshold, Value

_MOST_DECIMALS = 9
_LONGEST = 30  # digits; a longer number is written with its exponent
# A score or a count is said as a bare number; other annotations of UCUM are words already.
_BARE = {"none", "best", "worst", "mean", "average", "ordered", "observed", "rest", "activity", "night"}
_UNSAID = {"{score}", "{Tscore}", "{#}", "1"}


def value(known: Value) -> str:
    """A reading's value as it stands: `112 deg`, `110 to 115 deg`, `below 90 deg`, `trace`."""
    if isinstance(known, Amount):
        return _spoken(Interval(known.low, known.high, known.low_included, known.high_included), known.unit)
    ends = (known.low, known.high)
    if ends == (None, None):
        return "some level"
    return _ends(*ends, low_included=known.low_included, high_included=known.high_included, unit="")


def possible(known: Possible, measure: Measure, *, unit: str | None = None) -> str:
    """All that a value may be, in words."""
    if isinstance(known, Interval):
        return _spoken(known, unit if unit is not None else measure.unit or "")
    return " or ".join(_in_order(known, measure))


def bounds(asked: Bounds, unit: str) -> str:
    """`at least 110`, `at most 1+`, `between 20 and 30`, `exactly FWB`: the unit stands with the value beside it."""
    low, high = threshold(asked.low, unit), threshold(asked.high, unit)
    if low and high:
        return f"exactly {low}" if low == high else _two_bounds(asked, low, high)
    if low:
        return f"{'at least' if asked.low_included else 'above'} {low}"
    return f"{'at most' if asked.high_included else 'below'} {high}"


def margin(known: Possible, asked: Bounds, unit: str) -> str:
    """How far a single number lies from its bound: `2 deg above`; empty for a range, and within two bounds."""
    if not isinstance(known, Interval) or known.low is None or not known.exact:
        return ""
    limits = wanted(asked)
    if limits.low is not None and (limits.high is None or known.low < limits.low):
        return _distance(known.low, limits.low, unit)
    if limits.high is not None and (limits.low is None or known.low > limits.high):
        return _distance(known.low, limits.high, unit)
    return ""


def threshold(bound: Threshold | None, unit: str) -> str:
    if bound is None:
        return ""
    return bound.level or with_unit(number(bound.number or Decimal(0)), unit)


def number(exact: Number, *, apart_from: Iterable[Number | None] = ()) -> str:
    """Digits as recorded; a fraction is shortened to one decimal, or to as many as keep it on its side of the bounds."""
    if isinstance(exact, Decimal):
        return f"{exact:f}" if abs(exact.adjusted()) <= _LONGEST else str(exact)
    limits = [Fraction(bound) for bound in apart_from if bound is not None]
    for decimals in range(1, _MOST_DECIMALS):
        short = round(exact, decimals)
        if all(_sign(short - limit) == _sign(exact - limit) for limit in limits):
            return _plain(short, decimals)
    return f"{exact.numerator}/{exact.denominator}"


def with_unit(text: str, unit: str) -> str:
    word = "" if unit in _UNSAID else unit.strip("{}")
    return f"{text} {word}".rstrip()


def on(entries: Iterable[Entry], calendar: Calendar) -> str:
    """`on 2026-03-20`, or `between 2026-03-01 and 2026-03-31` where the day is not known."""
    several = list(entries)
    if not all(entry.dated for entry in several):
        return "at an unknown time"
    first, last = _span(several)
    if first == last:
        return f"on {calendar.date(first).isoformat()}"
    return f"between {calendar.date(first).isoformat()} and {calendar.date(last).isoformat()}"


def dated(day: int, calendar: Calendar) -> str:
    """`week 6 (2026-04-13)`: never a week without its date."""
    week = f"week {day // 7}" if day and day % 7 == 0 else f"day {day}"
    return f"{week} ({calendar.date(day).isoformat()})"


def days(count: int) -> str:
    return f"{count} day" if count == 1 else f"{count} days"


def subject(asked: Measured, measure: Measure) -> str:
    """`knee flexion (active, involved side)`."""
    said = [_qualifier(name, text) for name, text in sorted(asked.qualifiers.items())]
    said += [f"{asked.side} side"] if asked.side and measure.side not in ("none", "both") else []
    return term(measure) + (f" ({', '.join(said)})" if said else "")


def term(measure: Measure) -> str:
    """Lower case within a sentence, but an abbreviation keeps its capitals."""
    text = measure.term
    return text if text[1:2].isupper() or text[1:2].isdigit() else text[:1].lower() + text[1:]


def capital(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]


def sided(entry: Entry, measure: Measure | None) -> str:
    """`right 140 N`, or with its measure `right 8 deg of knee hyperextension`."""
    shown = value(entry.value) if entry.value else "an unknown value"
    return f"{entry.side or 'treated side'} {shown}" + (f" of {term(measure)}" if measure else "")


def interval(known: Interval, unit: str, *, apart_from: Iterable[Number | None] = ()) -> str:
    """A computed result: `72.7 %`."""
    limits = tuple(apart_from)
    low = None if known.low is None else number(_decimal(Fraction(known.low)), apart_from=limits)
    high = None if known.high is None else number(_decimal(Fraction(known.high)), apart_from=limits)
    return _ends(low, high, low_included=known.low_included, high_included=known.high_included, unit=unit)


def how(entry: Entry) -> str:
    """Value, qualifiers and side of a reading: `12 s (walking frame)`."""
    shown = value(entry.value) if entry.value else "an unknown value"
    details = [_qualifier(name, text) for name, text in sorted(entry.qualifiers.items())]
    details += [f"{entry.side} side"] if entry.side else []
    return f"{shown} ({', '.join(details)})" if details else shown


def _qualifier(name: str, text: str) -> str:
    """`passive` speaks for itself; `none` or `60 deg/s` would leave open what they are about."""
    return f"{name} {text}" if text in _BARE or text[:1].isdigit() else text


def _two_bounds(asked: Bounds, low: str, high: str) -> str:
    if asked.low_included and asked.high_included:
        return f"between {low} and {high}"
    return f"{'at least' if asked.low_included else 'above'} {low} and {'at most' if asked.high_included else 'below'} {high}"


def _distance(exact: Number, bound: Number, unit: str) -> str:
    apart = Fraction(exact) - Fraction(bound)
    if apart == 0:
        return "exactly that"
    text = number(_decimal(abs(apart)))
    return f"{with_unit(text, unit)} {'above' if apart > 0 else 'below'}"


def _decimal(exact: Fraction) -> Number:
    """A finite decimal where the fraction is one."""
    rest = exact.denominator
    for factor in (2, 5):
        while rest % factor == 0:
            rest //= factor
    return Decimal(exact.numerator) / Decimal(exact.denominator) if rest == 1 and _short(exact) else exact


def _short(exact: Fraction) -> bool:
    return max(len(str(exact.numerator)), len(str(exact.denominator))) < _MOST_DECIMALS


def _spoken(known: Interval, unit: str) -> str:
    low = None if known.low is None else number(known.low)
    high = None if known.high is None else number(known.high)
    return _ends(low, high, low_included=known.low_included, high_included=known.high_included, unit=unit)


def _ends(low: str | None, high: str | None, *, low_included: bool, high_included: bool, unit: str) -> str:
    if low is None and high is None:
        return "an unknown value"
    if low is None:
        return f"{'at most' if high_included else 'below'} {with_unit(high or '', unit)}"
    if high is None:
        return f"{'at least' if low_included else 'above'} {with_unit(low, unit)}"
    return with_unit(low if low == high else f"{low} to {high}", unit)


def _in_order(levels: Levels, measure: Measure) -> Sequence[str]:
    place = {level: index for index, level in enumerate(measure.levels)}
    return sorted(levels, key=lambda level: (place.get(level, len(place)), level))


def _span(entries: Sequence[Entry]) -> tuple[int, int]:
    return min(entry.first for entry in entries), max(entry.last for entry in entries)


def _plain(short: Fraction, decimals: int) -> str:
    whole, rest = divmod(abs(short.numerator) * 10**decimals // short.denominator, 10**decimals)
    text = f"{whole}.{rest:0{decimals}d}".rstrip("0").rstrip(".")
    return f"-{text}" if short < 0 else text


def _sign(exact: Fraction) -> int:
    return (exact > 0) - (exact < 0)
