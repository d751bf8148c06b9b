"""What a plan is about, so that the rest of a person's record cannot touch it: not its verdicts and not its digest."""

from collections.abc import Iterator, Mapping

from msgspec import Struct

from careplan_bridge.criteria.entry import Entry
from careplan_bridge.criteria.matching import loosely
from careplan_bridge.criteria.statements import asked_findings, measured
from careplan_bridge.criteria.truth import NOT_MET
from careplan_bridge.model.criterion import Measured
from careplan_bridge.model.measure import FINDING
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.signed_scale import twin


class Scope(Struct, frozen=True):
    """By measure, everything the plan's criteria and restrictions are about; and the findings and red flags it asks for."""

    plan: Plan
    measured: Mapping[str, tuple[Measured, ...]]
    findings: frozenset[str]

    def names(self, measure: str | None) -> bool:
        return measure == FINDING or measure in self.measured

    def touches(self, entry: Entry) -> bool:
        """Could it be meant by anything in the plan? Loosely, so that what a restriction is about is never left out."""
        if entry.measure == FINDING:
            return self._asked(entry)
        facts = self.plan.facts[entry.measure]
        return any(
            loosely(one, entry.side, entry.qualifiers, involved=self.plan.side, measure=facts) != NOT_MET
            for one in self.measured[entry.measure]
        )

    def shows(self, entry: Entry) -> bool:
        """Is it worth naming? A reading taken in another way decides nothing, but it says why the one asked for is missing."""
        if entry.measure == FINDING or not entry.usable:
            return self.touches(entry)
        facts = self.plan.facts[entry.measure]
        sides = [Measured(measure=one.measure, side=one.side) for one in self.measured[entry.measure]]
        return any(loosely(one, entry.side, {}, involved=self.plan.side, measure=facts) != NOT_MET for one in sides)

    def _asked(self, entry: Entry) -> bool:
        protocol = entry.qualifiers.get("protocol")
        ours = protocol is None or protocol == self.plan.protocol.url
        return ours and (entry.finding is None or entry.finding in self.findings)


def scope(plan: Plan) -> Scope:
    found: dict[str, dict[str, Measured]] = {}
    for one in _everything(plan):
        if one.measure in plan.facts:
            found.setdefault(one.measure, {})[repr(one)] = one
    return Scope(plan, {name: tuple(several.values()) for name, several in found.items()}, frozenset(_findings(plan)))


def _everything(plan: Plan) -> Iterator[Measured]:
    for one in _named(plan):
        yield one
        other = twin(one.measure, plan.facts)
        if other is not None:
            yield Measured(measure=other, side=one.side, qualifiers=one.qualifiers)


def _named(plan: Plan) -> Iterator[Measured]:
    for stage in plan.stages:
        yield from (restriction.measured for restriction in stage.restrictions)
        for criterion in stage.criteria:
            yield from measured(criterion.condition)


def _findings(plan: Plan) -> Iterator[str]:
    yield from (flag.id for flag in plan.red_flags)
    for stage in plan.stages:
        for criterion in stage.criteria:
            yield from asked_findings(criterion.condition)
