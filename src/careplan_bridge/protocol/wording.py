"""Sentences for criteria and restrictions that bring none of their own: what the structure says, in the trade's words."""

from careplan_bridge.model.criterion import (
    AllOf,
    Alternative,
    AnyOf,
    AtLeastOf,
    Change,
    Condition,
    FindingIs,
    FirstDoneOf,
    Measured,
    OtherSide,
    TimeSince,
    WithinBounds,
)
from careplan_bridge.model.measure import Catalogue, Measure
from careplan_bridge.model.value import Bounds, Threshold
from careplan_bridge.protocol.quantity import shown_unit

Facts = dict[str, Measure]


def criterion_says(condition: Condition, catalogue: Catalogue) -> str:
    """A sentence without its full stop: `Knee flexion (active, involved side) is at least 100 deg`."""
    return _capital(_condition(condition, catalogue.measures))


def restriction_says(
    measured: Measured, bounds: Bounds, measure: Measure, *, from_day: int = 0, before_day: int | None = None
) -> str:
    """`Keep knee flexion (passive, involved side) at most 90 deg before day 28`."""
    parts = [f"Keep {_subject(measured, measure)} {_bounds(bounds, measure)}"]
    if from_day > 0:
        parts.append(f"from {day(from_day)}")
    parts.append("until the stage is left" if before_day is None else f"before {day(before_day)}")
    return " ".join(parts)


def day(number: int) -> str:
    """`week 6` where a week begins on that day, else `day 10`."""
    return f"week {number // 7}" if number and number % 7 == 0 else f"day {number}"


def span(days: int) -> str:
    """`6 weeks`, `10 days`."""
    count, word = (days // 7, "week") if days and days % 7 == 0 else (days, "day")
    return f"{count} {word}{'' if count == 1 else 's'}"


def _capital(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]


def _condition(condition: Condition, facts: Facts) -> str:
    match condition:
        case WithinBounds() | OtherSide() | Change():
            return _measured(condition, facts[condition.measured.measure])
        case TimeSince():
            return f"at least {span(condition.at_least)} since {'surgery' if condition.surgery is None else condition.surgery}"
        case FindingIs():
            return condition.text if condition.expected == "present" else f"not found: {condition.text}"
        case AllOf() | AnyOf() | AtLeastOf():
            return f"{_lead(condition)}: {'; '.join(_condition(part, facts) for part in condition.conditions)}"
        case FirstDoneOf():
            return f"the first of these that was done: {_listed(condition.alternatives, facts)}"


def _lead(condition: AllOf | AnyOf | AtLeastOf) -> str:
    match condition:
        case AllOf():
            return "all of"
        case AnyOf():
            return "any of"
        case AtLeastOf():
            return f"at least {condition.count} of"


def _listed(alternatives: tuple[Alternative, ...], facts: Facts) -> str:
    return "; ".join(f"{number}) {_alternative(entry, facts)}" for number, entry in enumerate(alternatives, 1))


def _alternative(entry: Alternative, facts: Facts) -> str:
    beside = [f"not before {day(entry.not_before)}"] if entry.not_before is not None else []
    beside += [f"needs {entry.needs}"] if entry.needs else []
    return _condition(entry.condition, facts) + (f" ({', '.join(beside)})" if beside else "")


def _measured(condition: WithinBounds | OtherSide | Change, measure: Measure) -> str:
    subject = _subject(condition.measured, measure)
    match condition:
        case WithinBounds():
            row = f", {condition.visits_in_a_row} visits in a row" if condition.visits_in_a_row > 1 else ""
            return f"{subject} is {_bounds(condition.bounds, measure)}{row}"
        case OtherSide(index=Bounds() as index):
            return f"{subject}: limb symmetry index is {_bounds(index, _in_unit('%'))}"
        case OtherSide():
            return f"{subject}: side difference is {_bounds(condition.difference or Bounds(), measure)}"
        case Change():
            since = f"{condition.since} ({condition.best})" if condition.best else condition.since
            return f"{subject}: change since {since} is {_bounds(condition.bounds, measure)}"


def _in_unit(unit: str) -> Measure:
    return Measure(id="", term="", unit=unit, bare_unit=None, side="none")


def _subject(measured: Measured, measure: Measure) -> str:
    details = [
        f"{name.replace('_', ' ')} {text}" if _needs_name(text) else text for name, text in measured.qualifiers.items()
    ]
    details += [f"{measured.side} side"] if measured.side else []
    term, _, aside = _small(measure.term).removesuffix(")").partition(" (")
    inside = "; ".join(part for part in (aside, ", ".join(details)) if part)
    return f"{term} ({inside})" if inside else term


def _needs_name(text: str) -> bool:
    # `60 deg/s` or `best` alone would leave open what it is about.
    return text[:1].isdigit() or text in (
        "none",
        "best",
        "worst",
        "mean",
        "average",
        "ordered",
        "observed",
        "rest",
        "activity",
        "night",
    )


def _small(term: str) -> str:
    # An abbreviation keeps its capitals.
    return term if term[1:2].isupper() or term[1:2].isdigit() else term[:1].lower() + term[1:]


def _bounds(bounds: Bounds, measure: Measure) -> str:
    low, high = bounds.low, bounds.high
    if low is not None and low == high:
        return _shown(low, measure)
    if low is not None and high is not None and bounds.low_included and bounds.high_included:
        return f"between {_shown(low, measure)} and {_shown(high, measure)}"
    parts = [f"{'at least' if bounds.low_included else 'above'} {_shown(low, measure)}"] if low is not None else []
    parts += [f"{'at most' if bounds.high_included else 'below'} {_shown(high, measure)}"] if high is not None else []
    return " and ".join(parts)


def _shown(threshold: Threshold, measure: Measure) -> str:
    if threshold.number is None:
        return str(threshold.level)
    unit = shown_unit(measure.unit or "", one=abs(threshold.number) == 1)
    return f"{threshold.number:f} {unit}".strip()
