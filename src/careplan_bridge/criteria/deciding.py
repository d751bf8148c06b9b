"""What named clinicians may decide on a criteria check, and what makes a decision stand. Pure; nothing is written here."""

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID, uuid5

from msgspec.structs import replace

from careplan_bridge.errors import DecisionRefused
from careplan_bridge.model.case import Person
from careplan_bridge.model.check import CriteriaCheck, Outcome, RedFlagResult, RestrictionResult
from careplan_bridge.model.course import Responded
from careplan_bridge.model.decision import Decision, Kind, Signature
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.protocol import DISCHARGE

REMAIN_ROLES = ("therapist",)  # staying in a stage changes nothing for the person: one therapist's word is enough


def decide(plan: Plan, check: CriteriaCheck, kind: Kind, reason: str, at: datetime) -> Decision:
    """A decision bound to `check`, without a signature. The same check and kind always give the same decision id."""
    _belongs(plan, check)
    _may_be_decided(check, kind)
    _enough_sign(plan, kind)
    return Decision(
        id=str(uuid5(UUID(plan.id), f"{check.digest}/{kind}")),
        plan=plan.id,
        revision=plan.revision,
        kind=kind,
        stage=check.stage,
        to_stage=check.next_stage if kind == "advance" else None,
        digest=check.digest,
        outcome=check.outcome,
        reason=reason,
        decided_at=at,
        roles=roles(plan, kind),
        evidence=evidence(check),
    )


def roles(plan: Plan, kind: Kind) -> tuple[str, ...]:
    """Who must sign: what the protocol names for this kind of decision."""
    return plan.signatures.get(kind, REMAIN_ROLES if kind == "remain" else ())


def evidence(check: CriteriaCheck) -> tuple[str, ...]:
    """Sources of the readings that the verdicts rest on, each once, in order of appearance."""
    used = (reading.source for result in check.criteria for reading in result.readings if reading.used)
    return tuple(dict.fromkeys(source.key for source in used))


def sign(plan: Plan, decision: Decision, check: CriteriaCheck, person_id: str, at: datetime) -> Decision:
    """The decision with one more signature. `check` is the one made at the moment of signing.

    What is signed is what this check would let anyone decide, whatever the document said that the decision was made from.
    """
    _belongs(plan, check)
    _still_the_same(decision, check)
    _says_the_same(decision, decide(plan, check, decision.kind, decision.reason, decision.decided_at))
    person = _signer(plan, decision, person_id)
    signature = Signature(person=person.id, role=person.role, at=at, digest=check.digest)
    return replace(decision, signatures=(*decision.signatures, signature))


def stands(decision: Decision, check: CriteriaCheck) -> bool:
    """Is this still the check that was decided on? A new Observation, response or order makes it another one."""
    return check.complete and check.digest == decision.digest


def respond_to_red_flag(
    plan: Plan, check: CriteriaCheck, red_flag: str, *, person_id: str, reason: str, at: datetime
) -> Responded:
    """A named clinician's response to a red flag that the check shows as present, or that may be present."""
    _belongs(plan, check)
    found = next((result for result in check.red_flags if result.id == red_flag), None)
    if found is None or not _waits(found):
        raise DecisionRefused(
            _nothing_to_answer("red flag", red_flag, [result.id for result in check.red_flags if _waits(result)])
        )
    sources = _sources(found)
    return Responded(
        at=at, about="red-flag", subject=red_flag, evidence=sources, by=_clinician(plan, person_id).id, reason=reason
    )


def respond_to_excess(
    plan: Plan, check: CriteriaCheck, restriction: str, *, person_id: str, reason: str, at: datetime
) -> Responded:
    """A named clinician's response to a restriction that the check shows as exceeded, or possibly so."""
    _belongs(plan, check)
    open_states = ("exceeded", "possibly-exceeded")
    found = next((result for result in check.restrictions if result.id == restriction), None)
    if found is None or found.state not in open_states:
        answerable = [r.id for r in check.restrictions if r.state in open_states]
        raise DecisionRefused(_nothing_to_answer("restriction", restriction, answerable))
    sources = _sources(found)
    return Responded(
        at=at, about="excess", subject=restriction, evidence=sources, by=_clinician(plan, person_id).id, reason=reason
    )


def _waits(flag: RedFlagResult) -> bool:
    """Present, or recorded in a way that nobody can read: either way somebody saw something."""
    return flag.state == "present" or (flag.state == "cannot-tell" and bool(_sources(flag)))


def _sources(found: RedFlagResult | RestrictionResult) -> tuple[str, ...]:
    """The entries that a response to this covers."""
    entries = (*found.readings, *found.unusable)
    return tuple(dict.fromkeys(entry.source.key for entry in entries))


def _belongs(plan: Plan, check: CriteriaCheck) -> None:
    if check.plan != plan.id or check.revision != plan.revision:
        raise DecisionRefused(
            f"The check is of plan {check.plan} revision {check.revision}, the ledger has {plan.id} revision {plan.revision}; "
            "make a new check with `careplan-bridge criteria`."
        )
    if check.stage != plan.current.id:
        raise DecisionRefused(
            f"The check is of stage {check.stage!r}, but the person is in {plan.current.id!r}; make a new check."
        )
    if plan.course.status == "completed":
        raise DecisionRefused("The plan is closed: the discharge was signed and written.")


def _may_be_decided(check: CriteriaCheck, kind: Kind) -> None:
    if kind == "remain":
        return
    if not check.complete:
        raise DecisionRefused("The retrieval behind this check is not complete; pull again, then check again.")
    if check.outcome != Outcome.AWAITING_DECISION:
        raise DecisionRefused(
            f"{kind.capitalize()} needs a check that awaits a decision; this one says {check.outcome}. "
            "What is missing stands in the check."
        )
    if (kind == "discharge") != (check.stage == DISCHARGE):
        other = "discharge" if check.stage == DISCHARGE else "advance"
        raise DecisionRefused(f"In stage {check.stage!r} the decision is called {other!r}.")


def _enough_sign(plan: Plan, kind: Kind) -> None:
    """A plan document can be edited by hand: a decision that nobody need sign would be written by itself."""
    needed = 2 if kind == "discharge" else 1
    if len(set(roles(plan, kind))) < needed:
        raise DecisionRefused(
            f"The plan names too few roles to sign {kind!r}: {needed} needed. Mend `signatures` in the protocol and draft the plan again."
        )


def _still_the_same(decision: Decision, check: CriteriaCheck) -> None:
    if not check.complete:
        raise DecisionRefused(
            "The retrieval made for this signature is not complete; nothing was signed. Sign again once nothing stands in its way."
        )
    if check.digest != decision.digest:
        raise DecisionRefused(
            "The record has changed since this decision was prepared (a reading, response or order is new or withdrawn), "
            "so it is void with the signatures it had. Make a new check, look at it, and decide again."
        )


def _says_the_same(decision: Decision, made_now: Decision) -> None:
    """A check document can be edited by hand and its digest copied; the check made now cannot."""
    if replace(decision, signatures=()) != made_now:
        raise DecisionRefused(
            "The decision does not say what the check made now says, though it carries its digest: the document it was made from "
            "had been changed. Make a new check, look at it, and decide again."
        )


def _signer(plan: Plan, decision: Decision, person_id: str) -> Person:
    person = _clinician(plan, person_id)
    if person.role not in decision.roles:
        raise DecisionRefused(
            f"{person_id!r} is {person.role} of this case; {decision.kind!r} is signed by: {', '.join(decision.roles)}."
        )
    if person.role not in decision.missing_roles:
        raise DecisionRefused(
            f"The {person.role} has signed already; missing: {', '.join(decision.missing_roles) or 'nobody'}."
        )
    return person


def _clinician(plan: Plan, person_id: str) -> Person:
    person = plan.person(person_id)
    if person is None:
        known = ", ".join(person.id for person in plan.people)
        raise DecisionRefused(f"The case names nobody with the id {person_id!r}; it names: {known}.")
    return person


def _nothing_to_answer(what: str, subject: str, answerable: Sequence[str]) -> str:
    waiting = f"what waits for a response: {', '.join(answerable)}" if answerable else "nothing waits for a response"
    return f"The check shows no {what} {subject!r} that waits for a response; {waiting}."
