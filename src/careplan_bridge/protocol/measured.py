"""The part of a statement that names readings: measure, side, qualifiers; and the bounds it sets."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from careplan_bridge.measures.qualifiers import normal
from careplan_bridge.model.criterion import Measured
from careplan_bridge.model.measure import FINDING, Catalogue, Measure, Qualifier
from careplan_bridge.model.value import Bounds, Threshold
from careplan_bridge.protocol.quantity import is_bare_number, quantity, shown_unit, threshold
from careplan_bridge.protocol.shape import Bounded, MeasuredPart, Qualified, RestrictionPart
from careplan_bridge.syntax.nearest import nearest, suggestion
from careplan_bridge.syntax.spot import Spot

QUALIFIERS = tuple(Qualified.model_fields)
BOUNDS = tuple(name.replace("_", " ") for name in Bounded.model_fields)


@dataclass(frozen=True, slots=True)
class Wanted:
    """How a written bound is read: the unit it is asked for in, or the measure whose scale it is on."""

    measure: Measure
    catalogue: Catalogue
    unit: str | None

    @property
    def scale(self) -> Measure:
        return (
            self.measure
            if self.unit == self.measure.unit
            else Measure(id="", term="", unit=self.unit, bare_unit=None, side="none")
        )


def known_measure(name: str, spot: Spot, catalogue: Catalogue) -> Measure | None:
    """The catalogue's measure of this name; a fault where there is none."""
    found = catalogue.measures.get(name)
    if found is None or name == FINDING:
        at = spot["measure"]
        names = [known for known in catalogue.measures if known != FINDING]
        close = nearest(name, names)
        mend = f"did you mean `{close}`?" if close else "the list is in docs/measures.md"
        at.wrong(f"there is no measure `{name}`", "write `finding: ...` instead" if name == FINDING else mend)
        return None
    return found


def measured(part: MeasuredPart | RestrictionPart, measure: Measure, spot: Spot) -> Measured:
    """Which readings are meant. Every qualifier the measure requires must be named, with a word it allows."""
    return Measured(measure=measure.id, side=_side(part, measure, spot), qualifiers=_qualifiers(part, measure, spot))


def bounds(part: Bounded, measure: Measure, spot: Spot, catalogue: Catalogue) -> Bounds | None:
    """What `at least`, `at most`, `above`, `below`, `between` or `exactly` ask for; None where none of them does."""
    wanted = Wanted(measure, catalogue, measure.unit)
    _refuse_competing(spot)
    if part.between is not None:
        return between(part.between, "between", spot, wanted)
    if part.exactly is not None:
        same = limit(part.exactly, spot["exactly"], wanted)
        return Bounds(low=same, high=same) if same else None
    low = _one_of(part.at_least, "at least", part.above, "above", spot, wanted)
    high = _one_of(part.at_most, "at most", part.below, "below", spot, wanted)
    if low is None and high is None:
        return None
    _refuse_crossed(low, high, measure, spot)
    return Bounds(low=low, high=high, low_included=part.above is None, high_included=part.below is None)


def between(written: Sequence[str], key: str, spot: Spot, wanted: Wanted) -> Bounds | None:
    """Two bounds, both included."""
    at = spot[key]
    if len(written) != 2:  # noqa: PLR2004 - a span has two ends
        at.wrong(f"`{key}` has {entries(len(written))}", "write two: [lowest, highest]")
        return None
    low, high = (limit(text, at[index], wanted) for index, text in enumerate(written))
    if low is None or high is None:
        return None
    _refuse_crossed(low, high, wanted.scale, at)
    return Bounds(low=low, high=high)


def entries(count: int) -> str:
    return {0: "no entry", 1: "one entry"}.get(count, f"{count} entries")


def limit(text: str, spot: Spot, wanted: Wanted) -> Threshold | None:
    """One bound; a fault where its unit or level does not fit."""
    found = threshold(text, wanted.scale, wanted.catalogue)
    if found is None:
        spot.wrong(*_unfit(text, wanted))
    return found


def _unfit(text: str, wanted: Wanted) -> tuple[str, str]:
    measure = wanted.scale
    if measure.unit is None:
        levels = ", ".join(
            wanted.measure.level_number.written
            if wanted.measure.level_number and name == wanted.measure.level_number.level
            else name
            for name in wanted.measure.levels
        )
        return f"`{text}` is no level of {wanted.measure.id}", f"its levels: {levels}"
    unit = shown_unit(measure.unit)
    if is_bare_number(text):
        return f"`{text}` carries no unit", f"write `{text} {unit}`"
    written = quantity(text)
    if written is None:
        return f"`{text}` is no number with a unit", f"write it as `90 {unit}`"
    return f"the unit `{written.unit}` does not fit {_what(wanted)}", f"write the value in {unit}"


def _what(wanted: Wanted) -> str:
    return "a ratio of two sides" if wanted.unit != wanted.measure.unit else wanted.measure.id


def _one_of(
    reached: str | None, reached_key: str, passed: str | None, passed_key: str, spot: Spot, wanted: Wanted
) -> Threshold | None:
    text, key = (reached, reached_key) if reached is not None else (passed, passed_key)
    return None if text is None else limit(text, spot[key], wanted)


def _refuse_competing(spot: Spot) -> None:
    given = {key for key in BOUNDS if spot.has(key)}
    for group in ({"at least", "above"}, {"at most", "below"}):
        if group <= given:
            spot.wrong(f"{' and '.join(f'`{key}`' for key in sorted(group))} both set the same end", "keep one of them")
    alone = given & {"between", "exactly"}
    if alone and len(given) > 1:
        spot.wrong(f"`{min(alone)}` stands beside other bounds", "keep one of them")


def _refuse_crossed(low: Threshold | None, high: Threshold | None, measure: Measure, spot: Spot) -> None:
    if low is None or high is None:
        return
    if low.number is not None and high.number is not None:
        crossed = low.number > high.number
    elif low.level is not None and high.level is not None and measure.order_established:
        crossed = _rank(low.level, measure) > _rank(high.level, measure)
    else:
        crossed = False
    if crossed:
        spot.wrong("the lower bound lies above the upper one", "exchange them")


def _rank(level: str, measure: Measure) -> tuple[int, Decimal]:
    numbered = measure.level_number
    if level in measure.levels or numbered is None:
        return (measure.levels.index(level) if level in measure.levels else 0), Decimal(0)
    digits = "".join(sign for sign in level if sign.isdigit() or sign == ".")
    return measure.levels.index(numbered.level), Decimal(digits or 0)


def _side(part: MeasuredPart | RestrictionPart, measure: Measure, spot: Spot) -> str | None:
    if measure.side in ("none", "both"):
        if part.side is not None:
            spot["side"].wrong(f"{measure.id} has no side", "take `side` out")
        return None
    return part.side or "involved"


def _qualifiers(part: Qualified, measure: Measure, spot: Spot) -> dict[str, str]:
    given: Mapping[str, str | None] = {_key(name): getattr(part, name) for name in QUALIFIERS}
    known = {_key(qualifier.name): qualifier for qualifier in measure.qualifiers}
    found: dict[str, str] = {}
    for key, text in given.items():
        if text is None:
            continue
        if key not in known:
            spot[key].wrong_key(f"{measure.id} has no `{key}`", suggestion(key, known) if known else "take it out")
        else:
            value = _qualifier_value(text, known[key], spot[key])
            if value is not None:
                found[known[key].name] = value
    for key, qualifier in known.items():
        if qualifier.required and given.get(key) is None and not spot.has(key):
            spot.lacks(f"{measure.id} needs `{key}`", f"add `{key}: {_example(qualifier)}`")
    return found


def _key(name: str) -> str:
    return name.replace("_", " ")


def _example(qualifier: Qualifier) -> str:
    return f"one of {', '.join(qualifier.values)}" if qualifier.values else "..."


def _qualifier_value(text: str, qualifier: Qualifier, spot: Spot) -> str | None:
    """The word that a reading would carry for it; a fault where the qualifier cannot have this value."""
    found = normal(qualifier, text)
    if found is None:
        mend = (
            f"write it as `60 {shown_unit(qualifier.unit)}`" if qualifier.unit else suggestion(text, qualifier.values)
        )
        spot.wrong(f"`{_key(qualifier.name)}` cannot be `{text[:60]}`", mend)
    elif qualifier.values and found not in qualifier.values and nearest(text, qualifier.values) is not None:
        spot.warn(
            f"`{text}` is not among the known words for `{_key(qualifier.name)}`", suggestion(text, qualifier.values)
        )
    return found
