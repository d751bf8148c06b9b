"""What a check alone may write, without a signature: only what the endpoint file lets through, element by element; by default nothing.

in-progress, improving, worsening and no-change are said of Goals of the stage the person is in; `re-open` takes "achieved" back from a
Goal whose reading was withdrawn. "achieved" itself, and the end of a stage, are never written here.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import date
from functools import partial
from zoneinfo import ZoneInfo

from careplan_bridge.endpoint.http import Client
from careplan_bridge.endpoint.untrusted import objects
from careplan_bridge.errors import WriteConflict
from careplan_bridge.fhir.evidence import address, target
from careplan_bridge.fhir.progress import goal_unsigned, managed, re_open
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.ledger.records import Binding
from careplan_bridge.model.check import CriteriaCheck, CriterionResult
from careplan_bridge.model.fhir_names import goal_value
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.receipt import Receipt
from careplan_bridge.writeback.by_hand import left_as_it_stands
from careplan_bridge.writeback.converge import Converge
from careplan_bridge.writeback.identity import Resource
from careplan_bridge.writeback.patient import refuse_changed_identity

RE_OPEN = "re-open"

Change = tuple[str, Callable[[Resource], Resource]]


def write_unsigned(client: Client, ledger: Ledger, plan: Plan, check: CriteriaCheck) -> Receipt:
    """Write what this check may say without a signature. A plan that was never pushed, or an incomplete check, writes nothing.

    Raises WriteConflict at the end, naming all Goals that someone else changed; the others are written.
    """
    work = Converge(client, ledger, subject=plan.id, plan=plan.id)
    binding = ledger.binding(plan.id)
    way = work.locate.route
    takes = (way.medium, way.goal_states) == ("resources", "goals")
    if binding is not None and client.endpoint.unsigned and check.complete and takes:
        left = left_as_it_stands(ledger.course(plan.id))
        changes = (
            (name, change) for name, change in _changes(client, plan, binding, check) if binding.goals[name] not in left
        )
        if binding.readings:  # the retrieval has looked at the Patient there, not at this one
            refuse_changed_identity(client, binding.patient)
        _write(work, binding.goals, changes)
    return work.told.receipt()


def _changes(client: Client, plan: Plan, binding: Binding, check: CriteriaCheck) -> Iterator[Change]:
    """The changes of Goals, by identifier; a later one of the same Goal stands on the one before."""
    on = check.at.astimezone(ZoneInfo(plan.clinic.timezone)).date()
    for result in check.criteria:
        name = goal_value(plan.id, check.stage, result.id)
        if name in binding.goals:
            yield name, partial(_judged, result=result, allowed=client.endpoint.unsigned, on=on)
    withdrawn = frozenset(address(entry.source.resource, binding.readings) for entry in check.unusable if entry.void)
    if RE_OPEN in client.endpoint.unsigned and withdrawn:
        yield from ((name, _re_opening(withdrawn, on)) for name in binding.goals)


def _judged(stored: Resource, result: CriterionResult, allowed: tuple[str, ...], on: date) -> Resource:
    return goal_unsigned(stored, result, allowed, on)


def _re_opening(withdrawn: frozenset[str], on: date) -> Callable[[Resource], Resource]:
    def change(stored: Resource) -> Resource:
        used = set(map(target, objects(stored.get("outcomeReference"))))
        stands_on_it = managed(stored)["achievementStatus"] == "achieved" and used & withdrawn
        return re_open(stored, on) if stands_on_it else stored

    return change


def _write(work: Converge, references: Mapping[str, str], changes: Iterable[Change]) -> None:
    conflicts: list[str] = []
    for name, change in changes:
        try:
            work.update(name, references[name], change)
        except WriteConflict as conflict:
            conflicts.append(str(conflict))
    if conflicts:
        raise WriteConflict("\n".join(conflicts))
