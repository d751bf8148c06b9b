"""A signed decision as one resource of its own, for a server that takes no CarePlan: a document, else an Observation, else a Communication.

Each carries the decision's identifier and its statement. The Observation is coded as a record of ours: reading passes over it, it is no
measurement.
"""

import base64
from collections.abc import Sequence

from careplan_bridge.fhir.conformity import conforming
from careplan_bridge.fhir.elements import Element, Resource, concept, filled, instant
from careplan_bridge.fhir.identities import bridge, clinician, identifier
from careplan_bridge.fhir.progress import signed_at
from careplan_bridge.model import fhir_names as names
from careplan_bridge.model.decision import Decision
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.route import Medium


def record(medium: Medium, plan: Plan, decision: Decision, lines: Sequence[str]) -> Resource:
    """The decision in this medium; `lines` is its statement."""
    make = {"document": _document, "observation": _observation, "communication": _communication}[medium]
    return conforming(filled(make(plan, decision, "\n".join(lines))))


def _document(plan: Plan, decision: Decision, words: str) -> Element:
    return {
        "resourceType": "DocumentReference",
        "identifier": [_identifier(plan, decision)],
        "status": "current",
        "docStatus": "final",
        "type": _code(),
        "subject": {"reference": plan.patient},
        "date": instant(signed_at(decision)),
        "author": [*_signers(plan, decision), bridge(plan.clinic)],
        "description": _title(plan),
        "content": [{"attachment": {
            "contentType": "text/plain; charset=utf-8",
            "data": base64.b64encode(words.encode()).decode(),
            "title": _title(plan),
            "creation": instant(signed_at(decision)),
        }}],
    }  # fmt: skip


def _observation(plan: Plan, decision: Decision, words: str) -> Element:
    return {
        "resourceType": "Observation",
        "identifier": [_identifier(plan, decision)],
        "status": "final",
        "code": _code(),
        "subject": {"reference": plan.patient},
        "effectiveDateTime": instant(signed_at(decision)),
        "performer": _signers(plan, decision),
        "valueString": words,
    }


def _communication(plan: Plan, decision: Decision, words: str) -> Element:
    return {
        "resourceType": "Communication",
        "identifier": [_identifier(plan, decision)],
        "status": "completed",
        "category": [_code()],
        "subject": {"reference": plan.patient},
        "sent": instant(signed_at(decision)),
        "payload": [{"contentString": words}],
    }


def _code() -> Element:
    return concept(names.RECORD_CODE_SYSTEM, names.DECISION_RECORD, text="Signed decision on a rehabilitation plan")


def _title(plan: Plan) -> str:
    return f"Signed decision: {plan.protocol.title}, {plan.side} side"


def _identifier(plan: Plan, decision: Decision) -> Element:
    return identifier(plan.clinic, names.DECISION_IDENTIFIER, decision.id)


def _signers(plan: Plan, decision: Decision) -> list[Element]:
    people = (plan.person(signature.person) for signature in decision.signatures)
    return [clinician(plan.clinic, person) for person in people if person]
