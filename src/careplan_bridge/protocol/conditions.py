"""Conditions: which kind one is, its keys say; each kind is checked for what it needs."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal

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
from careplan_bridge.model.value import Bounds
from careplan_bridge.protocol.measured import BOUNDS, Wanted, between, bounds, entries, known_measure, limit, measured
from careplan_bridge.protocol.shape import AlternativePart, ConditionPart, MeasuredPart
from careplan_bridge.syntax.spot import Spot

_KINDS = {
    "measure": "measure",
    "since surgery": "since_surgery",
    "finding": "finding",
    "all of": "all_of",
    "any of": "any_of",
    "at least n of": "at_least_n_of",
    "first done of": "first_done_of",
}
_INDEX = "limb symmetry index"
_DIFFERENCE = "side difference"
_CHANGE = "change since baseline"
_CHANGE_OF_BEST = "change since best"
_OF_MEASURE = [name.replace("_", " ") for name in MeasuredPart.model_fields if name != "measure"]
_EXTRAS = {"since surgery": ["surgery"], "finding": ["expected"], "at least n of": ["n"]}


@dataclass(slots=True)
class Context:
    """The catalogue, and the words of every finding met so far: one id asks one question."""

    catalogue: Catalogue
    findings: dict[str, str] = field(default_factory=dict[str, str])


def condition(part: ConditionPart, spot: Spot, context: Context) -> Condition | None:
    """The condition a part states; None where it has faults, which are then noted."""
    kind = _kind(part, spot)
    match kind:
        case "measure":
            return measured_condition(part, spot, context.catalogue)
        case "since surgery":
            return TimeSince(at_least=part.since_surgery or 0, surgery=part.surgery)
        case "finding":
            return _finding(part, spot, context)
        case "first done of":
            return _first_done_of(part, spot, context.catalogue)
        case None:
            return None
        case _:
            return _combined(part, kind, spot, context)


def measured_condition(
    part: MeasuredPart, spot: Spot, catalogue: Catalogue
) -> WithinBounds | OtherSide | Change | None:
    """A statement about readings of one measure."""
    if part.measure is None:
        spot.lacks("this names no `measure`", "add `measure: ...`")
        return None
    measure = known_measure(part.measure, spot, catalogue)
    if measure is None:
        return None
    about = measured(part, measure, spot)
    own = bounds(part, measure, spot, catalogue)
    index, difference = _index(part, spot, measure, catalogue), _difference(part, spot, measure, catalogue)
    change = _change(part, about, spot, Wanted(measure, catalogue, measure.unit))
    if not _one_statement(spot):
        return None
    _check_row(part, own, spot)
    if index or difference:
        _check_sides(part, measure, spot)
        return OtherSide(measured=about, index=index, difference=difference)
    if change:
        return change
    return WithinBounds(measured=about, bounds=own, visits_in_a_row=part.visits_in_a_row or 1) if own else None


def _kind(part: ConditionPart, spot: Spot) -> str | None:
    kinds = [key for key, name in _KINDS.items() if getattr(part, name) is not None]
    if not kinds:
        spot.lacks("this states no condition", f"add one of: {', '.join(_KINDS)}")
        return None
    if len(kinds) > 1:
        spot.wrong(
            f"{' and '.join(f'`{key}`' for key in kinds)} stand beside each other",
            "put them under `all of` or `any of`",
        )
        return None
    _refuse_strangers(kinds[0], spot)
    return kinds[0]


def _refuse_strangers(kind: str, spot: Spot) -> None:
    """Keys that only another kind of condition has would be silently without effect."""
    fitting = {kind, *(_OF_MEASURE if kind == "measure" else _EXTRAS.get(kind, []))}
    others = {*_OF_MEASURE, *(extra for extras in _EXTRAS.values() for extra in extras)} - fitting
    for key in sorted(others):
        if spot.has(key):
            spot[key].wrong_key(f"`{key}` says nothing beside `{kind}`", "take it out")


def _finding(part: ConditionPart, spot: Spot, context: Context) -> FindingIs | None:
    text = part.finding or ""
    if part.id is None:
        spot.lacks("this finding has no `id`", "add `id: ...`; it is asked for by that id")
        return None
    known = context.findings.setdefault(part.id, text)
    if known != text:
        spot["id"].wrong(
            f"the finding `{part.id}` has other words elsewhere", f"use the same words ({known}), or another id"
        )
    return FindingIs(finding=part.id, text=text, expected=part.expected or "present")


def _combined(part: ConditionPart, kind: str, spot: Spot, context: Context) -> AllOf | AnyOf | AtLeastOf | None:
    parts: Iterable[ConditionPart] = getattr(part, _KINDS[kind]) or ()
    inside = spot[kind]
    found = [condition(entry, inside[index], context) for index, entry in enumerate(parts)]
    whole = tuple(entry for entry in found if entry is not None)
    if len(found) < 2:  # noqa: PLR2004 - one alone combines nothing
        inside.lacks(f"`{kind}` has {entries(len(found))}", "write two or more, or state the condition without it")
    if kind == "at least n of":
        _check_count(part, len(found), spot)
    if len(whole) < len(found):
        return None
    if kind == "at least n of":
        return AtLeastOf(count=part.n or 1, conditions=whole)
    return AllOf(conditions=whole) if kind == "all of" else AnyOf(conditions=whole)


def _check_count(part: ConditionPart, conditions: int, spot: Spot) -> None:
    if part.n is None:
        spot.lacks("`at least n of` needs `n`", "add `n: 2`, or as many as are wanted")
    elif part.n > conditions and not spot["at least n of"].node.damaged:
        spot["n"].wrong(
            f"`n` is {part.n}, but there are {conditions} conditions", "write a smaller number, or more conditions"
        )


def _first_done_of(part: ConditionPart, spot: Spot, catalogue: Catalogue) -> FirstDoneOf | None:
    inside = spot["first done of"]
    parts = part.first_done_of or ()
    found = [_alternative(entry, inside[index], catalogue) for index, entry in enumerate(parts)]
    if len(parts) < 2:  # noqa: PLR2004 - one alone is no ranking
        inside.lacks(
            f"`first done of` has {entries(len(parts))}",
            "write two or more, the preferred one first, or state it without",
        )
    whole = tuple(entry for entry in found if entry is not None)
    return FirstDoneOf(alternatives=whole) if len(whole) == len(found) else None


def _alternative(part: AlternativePart, spot: Spot, catalogue: Catalogue) -> Alternative | None:
    stated = measured_condition(part, spot, catalogue)
    return Alternative(condition=stated, not_before=part.not_before, needs=part.needs) if stated else None


def _index(part: MeasuredPart, spot: Spot, measure: Measure, catalogue: Catalogue) -> Bounds | None:
    wanted = Wanted(measure, catalogue, "%")
    if part.limb_symmetry_index_between is not None:
        return between(part.limb_symmetry_index_between, f"{_INDEX} between", spot, wanted)
    return _pair(part.limb_symmetry_index_at_least, part.limb_symmetry_index_at_most, _INDEX, spot, wanted)


def _difference(part: MeasuredPart, spot: Spot, measure: Measure, catalogue: Catalogue) -> Bounds | None:
    wanted = Wanted(measure, catalogue, measure.unit)
    return _pair(part.side_difference_at_least, part.side_difference_at_most, _DIFFERENCE, spot, wanted)


def _change(part: MeasuredPart, about: Measured, spot: Spot, wanted: Wanted) -> Change | None:
    first = _pair(part.change_since_baseline_at_least, part.change_since_baseline_at_most, _CHANGE, spot, wanted)
    best = _pair(part.change_since_best_at_least, part.change_since_best_at_most, _CHANGE_OF_BEST, spot, wanted)
    if part.best is not None and not any(spot.has(f"{_CHANGE_OF_BEST} {end}") for end in ("at least", "at most")):
        spot["best"].wrong_key("`best` says nothing without a change since best", "take it out")
    if first or best is None:
        return Change(measured=about, bounds=first) if first else None
    return Change(measured=about, bounds=best, since="best", best=_best(part, spot, wanted.measure))


_BEST: dict[str | None, Literal["highest", "lowest"]] = {"up": "highest", "down": "lowest"}


def _best(part: MeasuredPart, spot: Spot, measure: Measure) -> Literal["highest", "lowest"]:
    """Which value is the best one is the protocol's to say; where it does not, the measure's scale says it, if it can."""
    found = part.best or _BEST.get(measure.better)
    if found is None:
        spot.lacks(
            f"of {measure.id} neither the highest nor the lowest value is always the best", "add `best: highest`"
        )
    return found or "highest"


def _pair(lowest: str | None, highest: str | None, key: str, spot: Spot, wanted: Wanted) -> Bounds | None:
    if lowest is not None and highest is not None:
        return between([lowest, highest], f"{key} at least", Spot(spot.node, spot.faults), wanted)
    low = limit(lowest, spot[f"{key} at least"], wanted) if lowest is not None else None
    high = limit(highest, spot[f"{key} at most"], wanted) if highest is not None else None
    return Bounds(low=low, high=high) if low or high else None


def _one_statement(spot: Spot) -> bool:
    """A measure is bounded itself, or compared, or followed over time: one of these."""
    groups = {
        "bounds": any(spot.has(key) for key in BOUNDS),
        _INDEX: any(spot.has(f"{_INDEX} {end}") for end in ("at least", "at most", "between")),
        _DIFFERENCE: any(spot.has(f"{_DIFFERENCE} {end}") for end in ("at least", "at most")),
        _CHANGE: any(spot.has(f"{_CHANGE} {end}") for end in ("at least", "at most")),
        _CHANGE_OF_BEST: any(spot.has(f"{_CHANGE_OF_BEST} {end}") for end in ("at least", "at most")),
    }
    given = [name for name, present in groups.items() if present]
    if not given:
        spot.lacks("no bound is set", "add `at least`, `at most`, `between`, or a comparison, with a quantity")
    if len(given) > 1:
        spot.wrong(f"{' and '.join(given)} stand beside each other", "put them under `all of`, each with its measure")
    return len(given) == 1


def _check_row(part: MeasuredPart, own: Bounds | None, spot: Spot) -> None:
    if part.visits_in_a_row is not None and own is None and not any(spot.has(key) for key in BOUNDS):
        spot["visits in a row"].wrong_key(
            "`visits in a row` needs bounds of the measure itself", "take it out, or use `at least` or `at most`"
        )


def _check_sides(part: MeasuredPart, measure: Measure, spot: Spot) -> None:
    if measure.side in ("none", "both"):
        spot.wrong(f"{measure.id} has no side to compare", "set `at least` or `at most`")
    if part.side == "uninvolved":
        spot["side"].wrong("a comparison is about the involved side", "take `side` out")
    if measure.unit is None:
        spot.wrong(f"levels of {measure.id} have no ratio or difference", "set `at least` or `at most`")
