"""What the statements of a plan are about: measures, both ends of a signed scale, findings."""

from collections.abc import Iterator, Mapping

from careplan_bridge.model.conditions import simple
from careplan_bridge.model.criterion import Change, Condition, FindingIs, Measured, OtherSide, WithinBounds
from careplan_bridge.model.measure import FINDING, Measure
from careplan_bridge.model.signed_scale import twin


def measured(condition: Condition) -> Iterator[Measured]:
    """Everything whose readings are asked for: in a comparison the other limb's too, unless a clinician named a reference."""
    for part in simple(condition):
        if isinstance(part, WithinBounds | Change | OtherSide):
            yield part.measured
        if isinstance(part, OtherSide) and part.reference is None:
            yield of_other_side(part.measured)


def evidence_of(condition: Condition, facts: Mapping[str, Measure]) -> Iterator[str]:
    """The measures whose readings may decide a condition."""
    for one in measured(condition):
        yield from filter(None, (one.measure, twin(one.measure, facts)))
    if any(asked_findings(condition)):
        yield FINDING


def of_other_side(one: Measured) -> Measured:
    return Measured(measure=one.measure, side="uninvolved", qualifiers=one.qualifiers)


def asked_findings(condition: Condition) -> Iterator[str]:
    yield from (part.finding for part in simple(condition) if isinstance(part, FindingIs))
