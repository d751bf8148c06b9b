"""The site's own scales: levels in their order, for measures of which the catalogue has no established order."""

from collections.abc import Iterator, Mapping, Sequence

from msgspec.structs import replace

from careplan_bridge.model.conventions import Conventions
from careplan_bridge.model.measure import Catalogue, Measure


def at_site(catalogue: Catalogue, conventions: Conventions) -> Catalogue:
    """The catalogue with the scales that the site declares. Its digest stays that of what ships: the conventions have their own."""
    if not conventions.levels:
        return catalogue
    return replace(catalogue, measures={**catalogue.measures, **dict(_ordered(catalogue.measures, conventions.levels))})


def misfit(measure: Measure, levels: Sequence[str]) -> tuple[str, str] | None:
    """Why these cannot be the measure's levels, and what would mend it; None where they can."""
    if measure.unit is not None:
        return f"{measure.id} is a number in {measure.unit}", "take it out; only a scale of levels has levels"
    if measure.order_established or measure.level_number:
        return f"the order of {measure.id} is established", "take it out; its levels are in docs/measures.md"
    folded = {level.casefold() for level in levels}
    if len(folded) < len(levels) or "" in folded:
        return "two of the levels have one name, or one has none", "write each level once, the lowest first"
    if missing := [level for level in measure.levels if level not in levels]:
        return f"{measure.id} has the level {', '.join(missing)}, and it is not among these", "put it in its place"
    return None


def _ordered(measures: Mapping[str, Measure], levels: Mapping[str, tuple[str, ...]]) -> Iterator[tuple[str, Measure]]:
    for name, scale in levels.items():
        if name in measures:
            yield name, replace(measures[name], levels=scale, order_established=True)
