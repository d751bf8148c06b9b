"""Criteria that compare the involved limb with the other one, or with the reference that a clinician named in its place."""

from careplan_bridge.criteria import words
from careplan_bridge.criteria.current import Known, Missing, Terms, current
from careplan_bridge.criteria.interval import Interval, difference, inside, magnitude, negative, percentage
from careplan_bridge.criteria.matching import other_side
from careplan_bridge.criteria.measurement_error import SIDE_DIFFERENCE, figures, near
from careplan_bridge.criteria.record import Record
from careplan_bridge.criteria.results import decided, shown, untold
from careplan_bridge.criteria.signed import on_signed_scale, signed_current
from careplan_bridge.criteria.statements import measured
from careplan_bridge.criteria.truth import CANNOT_TELL
from careplan_bridge.criteria.values import wanted
from careplan_bridge.model.check import CriterionResult, Verdict
from careplan_bridge.model.criterion import Measured, OtherSide
from careplan_bridge.model.value import Bounds

Pair = tuple[Known, Known]


def verdict_of_sides(condition: OtherSide, terms: Terms, record: Record) -> Verdict | Missing:
    """The verdict alone, or what is missing for it, without words and readings."""
    found = _operated(condition, record) or _both_sides(condition, terms, record)
    if isinstance(found, Missing):
        return found
    result = _result(condition, found, record)
    return CANNOT_TELL if result is None else inside(result, wanted(_bounds(condition)))


def judge_sides(condition: OtherSide, terms: Terms, record: Record) -> CriterionResult:
    """A limb that was operated on itself is no measure for the other."""
    asked = condition.measured
    found = _operated(condition, record) or _both_sides(condition, terms, record)
    if isinstance(found, Missing):
        return untold(terms, found, asked, record, asked=_side_words(condition, record))
    return _compared(condition, found, terms, record)


def _operated(condition: OtherSide, record: Record) -> Missing | None:
    if condition.reference is not None:
        return None
    other = other_side(record.plan.side)
    operated = next((one for one in record.plan.surgeries if one.side in (other, "both", "bilateral")), None)
    if operated is None:
        return None
    return Missing(
        "other-side-operated",
        lambda: (
            f"the other limb was operated on ({operated.procedure}, {operated.on.isoformat()}), so it is no reference"
        ),
        lambda: "a clinician's decision on another reference",
    )


def _both_sides(condition: OtherSide, terms: Terms, record: Record) -> Pair | Missing:
    values: list[Known] = []
    for asked in measured(condition):
        by_sign = condition.difference is not None and on_signed_scale(asked, record)
        found = signed_current(asked, terms, record) if by_sign else current(asked, terms, record)
        if isinstance(found, Missing):
            return found
        values.append(found)
    return values[0], _referred(condition, record) or values[1]


def _referred(condition: OtherSide, record: Record) -> Known | None:
    """What a clinician's order named in place of the other limb, on the scale that the difference is taken on."""
    if condition.reference is None:
        return None
    value = Interval.exactly(condition.reference.value)
    signed = condition.difference is not None and on_signed_scale(condition.measured, record)
    turned = signed and record.facts(condition.measured.measure).better == "down"
    return Known(negative(value) if turned else value, ())


def _compared(condition: OtherSide, pair: Pair, terms: Terms, record: Record) -> CriterionResult:
    facts = record.facts(condition.measured.measure)
    result = _result(condition, pair, record)
    bounds = _bounds(condition)
    said = ", ".join(_said_of(known, condition, record) for known in pair)
    entries = (*pair[0].entries, *pair[1].entries)
    if result is None:
        lack = Missing(
            "no-index",
            lambda: f"{said}: no index can be formed with zero or less",
            lambda: exact_values(condition.measured, record),
        )
        return untold(terms, lack, condition.measured, record, asked=_side_words(condition, record))
    verdict = inside(result, wanted(bounds))
    sizes = [] if condition.index else figures(facts, entries, of=SIDE_DIFFERENCE)
    return decided(
        terms,
        verdict,
        f"{said}: {compared_words(result, bounds, _unit(condition, record), _side_words(condition, record))}",
        readings=shown(entries, (), record),
        near=near(result, bounds, sizes),
        settle=exact_values(condition.measured, record) if verdict is CANNOT_TELL else "",
    )


def _said_of(known: Known, condition: OtherSide, record: Record) -> str:
    reference = condition.reference
    if known.entries or reference is None:
        return _side_said(known, condition.measured, record)
    shown = words.with_unit(words.number(reference.value), record.facts(condition.measured.measure).unit or "")
    return f"reference {shown} (order {reference.order})"


def _result(condition: OtherSide, pair: Pair, record: Record) -> Interval | None:
    """What is compared with the bounds; None where no index can be formed."""
    better = record.facts(condition.measured.measure).better
    return _index(pair, turned=better == "down") if condition.index else _apart(pair)


def _index(pair: Pair, *, turned: bool) -> Interval | None:
    """Per cent of the other side; where lower is better, the other side in per cent of this one."""
    involved, other = map(as_interval, pair)
    return percentage(other, involved) if turned else percentage(involved, other)


def _apart(pair: Pair) -> Interval:
    """How far the sides lie apart, whichever is the larger."""
    return magnitude(difference(*map(as_interval, pair)))


def as_interval(known: Known) -> Interval:
    """Levels of a scale have no distance: nothing is known of it."""
    return known.value if isinstance(known.value, Interval) else Interval(None, None)


def _bounds(condition: OtherSide) -> Bounds:
    return condition.index or condition.difference or Bounds()


def _unit(condition: OtherSide, record: Record) -> str:
    return "%" if condition.index else record.facts(condition.measured.measure).unit or ""


def _side_words(condition: OtherSide, record: Record) -> str:
    what = "limb symmetry index" if condition.index else "side difference"
    return f"a {what} of {words.bounds(_bounds(condition), _unit(condition, record))} wanted"


def _side_said(known: Known, asked: Measured, record: Record) -> str:
    """The measure is named only where it is not the one that was asked for."""
    other = (None if entry.measure == asked.measure else record.facts(entry.measure) for entry in known.entries)
    values = " and ".join(dict.fromkeys(map(words.sided, known.entries, other)))
    return f"{values} {words.on(known.entries, record.calendar)}"


def compared_words(result: Interval, bounds: Bounds, unit: str, wish: str) -> str:
    """`72 %; a limb symmetry index of at least 75 % wanted: 3 % below`."""
    limits = wanted(bounds)
    apart = words.margin(result, bounds, unit)
    said = words.interval(result, unit, apart_from=(limits.low, limits.high))
    return f"{said}; {wish}" + (f": {apart}" if apart else "")


def exact_values(asked: Measured, record: Record) -> str:
    return f"exact values for {words.subject(asked, record.facts(asked.measure))}"
