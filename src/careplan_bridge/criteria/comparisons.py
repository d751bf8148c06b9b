"""Criteria that compare: the involved limb with the other one, or a limb with itself at the first visit after surgery."""

from collections.abc import Sequence

from careplan_bridge.criteria import words
from careplan_bridge.criteria.current import Known, Missing, Terms, current, told
from careplan_bridge.criteria.entry import Entry
from careplan_bridge.criteria.interval import Interval, difference, inside, magnitude, percentage
from careplan_bridge.criteria.matching import other_side
from careplan_bridge.criteria.measurement_error import SIDE_DIFFERENCE, figures, near
from careplan_bridge.criteria.record import Record
from careplan_bridge.criteria.results import decided, resting_on, shown, untold
from careplan_bridge.criteria.selection import candidates, first
from careplan_bridge.criteria.signed import on_signed_scale, signed_current
from careplan_bridge.criteria.statements import of_other_side
from careplan_bridge.criteria.truth import CANNOT_TELL
from careplan_bridge.criteria.values import wanted
from careplan_bridge.model.check import CriterionResult
from careplan_bridge.model.criterion import Change, Measured, OtherSide
from careplan_bridge.model.value import Bounds

Pair = tuple[Known, Known]


def judge_sides(condition: OtherSide, terms: Terms, record: Record) -> CriterionResult:
    """A limb that was operated on itself is no measure for the other."""
    asked = condition.measured
    found = _operated(record) or _both_sides(condition, terms, record)
    if isinstance(found, Missing):
        return untold(terms, found, asked, record, asked=_side_words(condition, record))
    return _compared(condition, found, terms, record)


def judge_change(condition: Change, terms: Terms, record: Record) -> CriterionResult:
    asked = condition.measured
    found = _since_baseline(asked, terms, record)
    unit = record.facts(asked.measure).unit or ""
    wish = f"a change of {words.bounds(condition.bounds, unit)} since the first visit after surgery wanted"
    if isinstance(found, Missing):
        return untold(terms, found, asked, record, asked=wish)
    baseline, latest = found
    apart = difference(_interval(latest), _interval(baseline))
    verdict = inside(apart, wanted(condition.bounds))
    entries = (*baseline.entries, *latest.entries)
    return decided(
        terms,
        verdict,
        f"{_said(latest, asked, record)}, first {_said(baseline, asked, record)}: {_sum(apart, condition.bounds, unit, wish)}",
        readings=resting_on(entries, asked, record),
        near=near(apart, condition.bounds, figures(record.facts(asked.measure), entries)),
        settle=_exact(asked, record) if verdict is CANNOT_TELL else "",
    )


def _operated(record: Record) -> Missing | None:
    other = other_side(record.plan.side)
    operated = next((one for one in record.plan.surgeries if one.side in (other, "both", "bilateral")), None)
    if operated is None:
        return None
    return Missing(
        "other-side-operated",
        f"the other limb was operated on ({operated.procedure}, {operated.on.isoformat()}), so it is no reference",
        "a clinician's decision on another reference",
    )


def _both_sides(condition: OtherSide, terms: Terms, record: Record) -> Pair | Missing:
    values: list[Known] = []
    for asked in (condition.measured, of_other_side(condition.measured)):
        by_sign = condition.difference is not None and on_signed_scale(asked, record)
        found = signed_current(asked, terms, record) if by_sign else current(asked, terms, record)
        if isinstance(found, Missing):
            return found
        values.append(found)
    return values[0], values[1]


def _compared(condition: OtherSide, pair: Pair, terms: Terms, record: Record) -> CriterionResult:
    facts = record.facts(condition.measured.measure)
    result = _index(pair, turned=facts.better == "down") if condition.index else _apart(pair)
    bounds = _bounds(condition)
    said = ", ".join(_side_said(known, condition.measured, record) for known in pair)
    entries = (*pair[0].entries, *pair[1].entries)
    if result is None:
        lack = Missing(
            "no-index", f"{said}: no index can be formed with zero or less", _exact(condition.measured, record)
        )
        return untold(terms, lack, condition.measured, record, asked=_side_words(condition, record))
    verdict = inside(result, wanted(bounds))
    sizes = [] if condition.index else figures(facts, entries, of=SIDE_DIFFERENCE)
    return decided(
        terms,
        verdict,
        f"{said}: {_sum(result, bounds, _unit(condition, record), _side_words(condition, record))}",
        readings=shown(entries, (), record),
        near=near(result, bounds, sizes),
        settle=_exact(condition.measured, record) if verdict is CANNOT_TELL else "",
    )


def _index(pair: Pair, *, turned: bool) -> Interval | None:
    """Per cent of the other side; where lower is better, the other side in per cent of this one."""
    involved, other = map(_interval, pair)
    return percentage(other, involved) if turned else percentage(involved, other)


def _apart(pair: Pair) -> Interval:
    """How far the sides lie apart, whichever is the larger."""
    return magnitude(difference(*map(_interval, pair)))


def _since_baseline(asked: Measured, terms: Terms, record: Record) -> Pair | Missing:
    latest = current(asked, terms, record)
    if isinstance(latest, Missing):
        return latest
    undated = Terms(id=terms.id, says=terms.says, accepts=terms.accepts)
    baseline = told(first(candidates(asked, record)), asked, undated, record)
    if isinstance(baseline, Missing):
        return Missing(
            f"baseline-{baseline.reason.removeprefix('newer-')}",
            f"the first visit: {baseline.says}",
            baseline.settle,
            baseline.entries,
        )
    if _shared(baseline.entries, latest.entries):
        return Missing(
            "only-the-baseline",
            f"measured only once after surgery, {words.on(latest.entries, record.calendar)}",
            f"{words.subject(asked, record.facts(asked.measure))}, measured again at a later visit",
            latest.entries,
        )
    return baseline, latest


def _shared(some: Sequence[Entry], others: Sequence[Entry]) -> bool:
    return bool({id(entry) for entry in some} & {id(entry) for entry in others})


def _interval(known: Known) -> Interval:
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


def _said(known: Known, asked: Measured, record: Record) -> str:
    return f"{words.possible(known.value, record.facts(asked.measure))} {words.on(known.entries, record.calendar)}"


def _sum(result: Interval, bounds: Bounds, unit: str, wish: str) -> str:
    """`72 %; a limb symmetry index of at least 75 % wanted: 3 % below`."""
    limits = wanted(bounds)
    apart = words.margin(result, bounds, unit)
    said = words.interval(result, unit, apart_from=(limits.low, limits.high))
    return f"{said}; {wish}" + (f": {apart}" if apart else "")


def _exact(asked: Measured, record: Record) -> str:
    return f"exact values for {words.subject(asked, record.facts(asked.measure))}"
