"""Marks beside the outcome: what a person should look at, though it decides nothing."""

from collections.abc import Iterator, Mapping, Sequence

from careplan_bridge.criteria import words
from careplan_bridge.criteria.entry import Entry
from careplan_bridge.criteria.record import Record, concerns
from careplan_bridge.criteria.restrictions import POSSIBLY
from careplan_bridge.criteria.statements import measured
from careplan_bridge.criteria.trend import Movements
from careplan_bridge.criteria.truth import CANNOT_TELL, MET, NOT_MET
from careplan_bridge.model.case import RestrictionOrder
from careplan_bridge.model.check import Attention, CriterionResult, RestrictionResult
from careplan_bridge.model.criterion import Criterion


def marks(
    record: Record,
    results: Sequence[CriterionResult],
    restrictions: Sequence[RestrictionResult],
    moved: Mapping[str, Movements],
) -> tuple[Attention, ...]:
    """`moved` holds, by criterion, how the values it bounds moved."""
    return tuple(_marks(record, results, restrictions, moved))


def _marks(
    record: Record,
    results: Sequence[CriterionResult],
    restrictions: Sequence[RestrictionResult],
    moved: Mapping[str, Movements],
) -> Iterator[Attention]:
    if not record.complete:
        yield _mark("incomplete", "retrieval", "Not everything was retrieved; latest values and counts cannot be told.")
    yield from _surgeries(record)
    yield from _conflicts(record)
    for criterion, result in zip(record.plan.current.criteria, results, strict=True):
        if result.verdict is not MET:
            yield from _late(criterion, result, record)
            yield from _stalled(criterion, moved[criterion.id], record)
    for restriction in restrictions:
        if restriction.state == POSSIBLY:
            yield _mark(POSSIBLY, restriction.id, f"{restriction.says}: a clinician must look at the readings.")
    yield from _withdrawn(record)


def _late(criterion: Criterion, result: CriterionResult, record: Record) -> Iterator[Attention]:
    lack = "cannot be told" if result.verdict is CANNOT_TELL else "not met"
    if criterion.expected_by is not None and record.day > criterion.expected_by:
        by = words.dated(criterion.expected_by, record.calendar)
        yield _mark("behind", criterion.id, f"Expected by {by}, {lack}: {criterion.says}.")
    # The call is due on that day at the latest, so the mark stands on the day itself.
    if criterion.call_surgeon_by is not None and record.day >= criterion.call_surgeon_by:
        by = words.dated(criterion.call_surgeon_by, record.calendar)
        yield _mark("call-surgeon", criterion.id, f"Due by {by}, {lack}: {criterion.says}.")


def _stalled(criterion: Criterion, moved: Movements, record: Record) -> Iterator[Attention]:
    for part, movement in moved:
        if movement.stalled:
            subject = words.subject(part.measured, record.facts(part.measured.measure))
            yield _mark(
                "stalled",
                criterion.id,
                f"No change beyond measurement error over {criterion.stalled_over} visits: {subject}.",
            )


def _surgeries(record: Record) -> Iterator[Attention]:
    """A surgery that came after the one the plan counts from: the plan was written without it."""
    for surgery in record.plan.surgeries:
        if concerns(surgery, record.plan.side) and 0 < record.day_of(surgery) <= record.day:
            yield _mark(
                "amend-plan",
                surgery.id,
                f"{surgery.procedure} on {surgery.on.isoformat()}: earlier readings are history only, and the plan must be amended.",
            )


def _conflicts(record: Record) -> Iterator[Attention]:
    """Orders that change the same restriction, where no clinician has said that one replaces the other."""
    replaced = {name for order in record.plan.orders for name in order.replaces}
    about: dict[str, list[str]] = {}
    for order in record.plan.orders:
        if isinstance(order.change, RestrictionOrder) and order.id not in replaced:
            about.setdefault(order.change.restriction, []).append(order.id)
    for restriction, orders in about.items():
        if len(orders) > 1:
            said = f"Orders {', '.join(orders)} change it; the strictest stands until a clinician says which one replaces the other."
            yield _mark("orders-conflict", restriction, said)


def _withdrawn(record: Record) -> Iterator[Attention]:
    """Void entries count as never made. They are named, because someone may remember their value."""
    asked = {one.measure for criterion in record.plan.current.criteria for one in measured(criterion.condition)}
    for entry in record.void:
        if entry.measure in asked and record.after_surgery(entry) is not NOT_MET:
            yield _mark("withdrawn", entry.measure, f"Ignored: {_reason(entry)} ({entry.source.resource}).")


def _reason(entry: Entry) -> str:
    return entry.unusable.says if entry.unusable else ""


def _mark(mark: str, subject: str, says: str) -> Attention:
    return Attention(mark=mark, subject=subject, says=says)
