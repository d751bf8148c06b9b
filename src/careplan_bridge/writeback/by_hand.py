"""What only a person can settle: a decision entered by hand, a conflict, a patient who became another. Each leaves its mark in the course.

Nothing here changes the record: what follows from the answer is written by the next run, under the same guards as ever.
"""

from datetime import datetime
from typing import Literal

from msgspec.structs import replace

from careplan_bridge.endpoint.http import Client
from careplan_bridge.endpoint.identity import identity_changed
from careplan_bridge.endpoint.read import Missing, read
from careplan_bridge.errors import DecisionRefused, WrongUse
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.ledger.records import Intent
from careplan_bridge.model.check import CriteriaCheck
from careplan_bridge.model.course import Course, Decided, Responded
from careplan_bridge.model.decision import Decision
from careplan_bridge.model.digest import canonical
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.statement import sheet_code, statement
from careplan_bridge.writeback.decision import events
from careplan_bridge.writeback.managed import flat

Keep = Literal["ours", "theirs"]


def transcribed(
    ledger: Ledger,
    plan: Plan,
    decision: Decision,
    check: CriteriaCheck,
    code: str,
    *,
    person: str,
    reason: str,
    at: datetime,
) -> Responded:
    """A named person has entered a signed decision in the record by hand, from the sheet with this code: the decision is done.

    Raises DecisionRefused for one that is not waiting to be written, for another sheet's code, or a person the case does not name.
    """
    _refuse_stranger(plan, person)
    record = ledger.decision(decision.id)
    if record is None or record.state not in {"ready", "writing", "parked"}:
        raise DecisionRefused(f"decision {decision.id} does not wait to be written; there is nothing to transcribe")
    if code != sheet_code(statement(plan, decision, check)):
        raise DecisionRefused(
            f"{code} is not the code of this decision's sheet; `sign {decision.id} --to SHEET` writes it anew"
        )
    response = Responded(at=at, about="hand-entry", subject=decision.id, evidence=(code,), by=person, reason=reason)
    with ledger.together():
        _park(ledger, plan, decision.id, f"entered by hand by {person}")
        ledger.append(plan.id, *events(decision), response)
        ledger.move_decision(decision.id, "written", why=f"entered by hand by {person}")
    return response


def settle_conflict(
    client: Client, ledger: Ledger, plan: Plan, reference: str, keep: Keep, *, person: str, reason: str, at: datetime
) -> Responded:
    """A named person decides between what we were to write and what someone else wrote there meanwhile.

    ours: the next run writes over what stands there now, and over nothing later. theirs: the resource is left as it is, also by what
    goes unsigned (`left_as_it_stands`); where it is the CarePlan, on which the whole decision hangs, the decision is parked for hand entry.
    """
    _refuse_stranger(plan, person)
    intent = _in_conflict(ledger, plan, reference)
    stored = read(client, reference)
    if isinstance(stored, Missing):
        raise WrongUse(f"{reference} {stored.value}; restore it in the record first")
    seen = f"{reference}/_history/{stored.version or '?'}"
    response = Responded(at=at, about="conflict", subject=reference, evidence=(seen, keep), by=person, reason=reason)
    with ledger.together():
        if keep == "ours":
            ledger.saw(client.endpoint.base, reference, stored.version or "", canonical(flat(stored.resource)))
            ledger.mark(intent.id, "planned", says=f"{person}: ours is to stand")
        else:
            _leave(ledger, plan, intent, stored.version, person)
        ledger.append(plan.id, response)
    return response


def left_as_it_stands(course: Course) -> frozenset[str]:
    """The resources of which a named person said that what others wrote there is to stand.

    It holds for what goes unsigned, until somebody says otherwise or a decision was written since: that one is about all of them anew.
    """
    left: set[str] = set()
    for event in course.events:
        if isinstance(event, Decided):
            left.clear()
        elif isinstance(event, Responded) and event.about == "conflict":
            (left.add if event.evidence[-1] == "theirs" else left.discard)(event.subject)
    return frozenset(left)


def rebind(
    client: Client, ledger: Ledger, plan: Plan, patient: str, *, person: str, reason: str, at: datetime
) -> Responded:
    """A named person says which Patient of this endpoint the plan is about from now on: the plan's next revision.

    Where plans are written to another server than readings are pulled from, this is the one of the readings.
    Raises DecisionRefused where the Patient of the plan is as it was, or the new one is not to be used either.
    """
    response = _another(client, plan, plan.patient, patient, person=person, reason=reason, at=at)
    binding = ledger.binding(plan.id)
    with ledger.together():
        if binding is None or binding.readings is None:
            ledger.rebind(plan.id, patient)
        ledger.append(plan.id, response)
        ledger.add_plan(replace(plan, patient=patient, revision=plan.revision + 1, course=ledger.course(plan.id)))
    return response


def rebind_there(
    client: Client, ledger: Ledger, plan: Plan, patient: str, *, person: str, reason: str, at: datetime
) -> Responded:
    """The same for the Patient on the server that the plan is written to, where readings lie on another: the plan stays as it is."""
    binding = ledger.binding(plan.id)
    before = binding.patient if binding else plan.patient
    response = _another(client, plan, before, patient, person=person, reason=reason, at=at)
    with ledger.together():
        ledger.rebind(plan.id, patient)
        ledger.append(plan.id, response)
    return response


def _another(
    client: Client, plan: Plan, before: str, patient: str, *, person: str, reason: str, at: datetime
) -> Responded:
    _refuse_stranger(plan, person)
    if not identity_changed(client, before):
        raise DecisionRefused(
            f"the Patient of this plan on {client.endpoint.name} is as it was; a plan changes its Patient only where the record did"
        )
    if trouble := identity_changed(client, patient):
        raise DecisionRefused(f"the Patient named here can't be the one: on {client.endpoint.name}, {trouble}")
    return Responded(at=at, about="identity", subject=before, evidence=(patient,), by=person, reason=reason)


def _leave(ledger: Ledger, plan: Plan, intent: Intent, version: str | None, person: str) -> None:
    if intent.decision is not None and intent.target.startswith("CarePlan/"):
        _park(ledger, plan, intent.decision, f"{person}: what stands in the CarePlan is to stand")
    else:
        ledger.mark(
            intent.id, "confirmed", reference=intent.target, version=version, says=f"{person}: left as it stands"
        )


def _park(ledger: Ledger, plan: Plan, decision: str, why: str) -> None:
    for intent in ledger.open_intents(plan.id):
        if intent.decision == decision and intent.state != "sent":
            ledger.mark(intent.id, "parked", says=why)
    ledger.move_decision(decision, "parked", why=why)


def _in_conflict(ledger: Ledger, plan: Plan, reference: str) -> Intent:
    found = [one for one in ledger.open_intents(plan.id) if (one.state, one.target) == ("conflict", reference)]
    if not found:
        raise DecisionRefused(
            f"no write of this plan is in conflict over {reference}; the message of the conflict names the resource"
        )
    return found[-1]


def _refuse_stranger(plan: Plan, person: str) -> None:
    if plan.person(person) is None:
        raise DecisionRefused(
            f"{person!r} is no person of this case; name one of {', '.join(each.id for each in plan.people)}"
        )
