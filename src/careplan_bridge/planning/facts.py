"""The catalogue facts that a plan carries, so that it can be judged without the catalogue."""

from collections.abc import Iterable, Iterator

from careplan_bridge.model.conditions import simple
from careplan_bridge.model.criterion import Change, OtherSide, WithinBounds
from careplan_bridge.model.measure import Catalogue, Measure
from careplan_bridge.model.protocol import Stage
from careplan_bridge.model.signed_scale import twin
from careplan_bridge.planning.faults import listed


def facts(stages: Iterable[Stage], catalogue: Catalogue) -> dict[str, Measure]:
    """The entry of every measure that a stage names, and of the other end of its signed scale, sorted by id."""
    named = set(named_measures(stages))
    others = (twin(name, catalogue.measures) for name in named)
    wanted = sorted(named | set(filter(None, others)))
    return {name: catalogue.measures[name] for name in wanted if name in catalogue.measures}


def unknown_measures(stages: Iterable[Stage], catalogue: Catalogue) -> Iterator[str]:
    unknown = sorted(set(named_measures(stages)) - catalogue.measures.keys())
    if unknown:
        yield f"The catalogue {catalogue.version} has no measure {listed(unknown)}, which the protocol names; read the protocol again."


def named_measures(stages: Iterable[Stage]) -> Iterator[str]:
    for stage in stages:
        yield from (restriction.measured.measure for restriction in stage.restrictions)
        for part in (part for criterion in stage.criteria for part in simple(criterion.condition)):
            if isinstance(part, WithinBounds | OtherSide | Change):
                yield part.measured.measure
