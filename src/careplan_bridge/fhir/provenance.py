"""Who signed what, on which evidence: the trail of one written decision."""

from collections.abc import Sequence
from datetime import datetime

from careplan_bridge.fhir.conformity import conforming
from careplan_bridge.fhir.elements import Element, Resource, concept, filled, instant
from careplan_bridge.fhir.evidence import used
from careplan_bridge.fhir.identities import bridge, clinician, identifier, organization
from careplan_bridge.fhir.narrative import cautions, narrative
from careplan_bridge.fhir.progress import signed_at
from careplan_bridge.model import fhir_names as names
from careplan_bridge.model.decision import Decision, Signature
from careplan_bridge.model.plan import Plan


def provenance(
    plan: Plan, decision: Decision, targets: Sequence[str], recorded: datetime, *, server: str | None = None
) -> Resource:
    """`targets` are the versions that the decision wrote (`CarePlan/1/_history/3`); `recorded` the decision's instant.

    Every signer is an author for the clinic, the bridge is the assembler; the decision's identifier, the digest of the check it is
    bound to, and each Observation with its version are entities. `server`: see `evidence.used`; it is about the Observations alone.
    """
    return conforming(filled({
        "resourceType": "Provenance",
        "text": narrative(_says(plan, decision), [decision.reason, cautions(plan.protocol.notice)]),
        "target": [used(target, versioned=True) or {"reference": target} for target in targets],
        "occurredDateTime": instant(signed_at(decision)),
        "recorded": instant(recorded),
        "reason": [concept(names.ACT_REASON, "TREAT", text=decision.reason or None)],
        "activity": concept(names.DATA_OPERATION, "UPDATE", text=decision.kind),
        "agent": [*(_author(plan, signature) for signature in decision.signatures), _assembler(plan)],
        "entity": _entities(plan, decision, server),
    }))  # fmt: skip


def _author(plan: Plan, signature: Signature) -> Element:
    person = plan.person(signature.person)
    who = clinician(plan.clinic, person) if person else {"type": "Practitioner", "display": signature.person}
    return {
        "type": concept(names.PROVENANCE_PARTICIPANT, "author"),
        "role": [{"text": signature.role}],
        "who": who,
        "onBehalfOf": organization(plan.clinic),
    }


def _assembler(plan: Plan) -> Element:
    return {
        "type": concept(names.PROVENANCE_PARTICIPANT, "assembler"),
        "who": bridge(plan.clinic),
        "onBehalfOf": organization(plan.clinic),
    }


def _entities(plan: Plan, decision: Decision, server: str | None) -> list[Element]:
    stated = [
        identifier(plan.clinic, names.DECISION_IDENTIFIER, decision.id),
        identifier(plan.clinic, names.CHECK_IDENTIFIER, decision.digest),
    ]
    observed = [one for key in decision.evidence if (one := used(key, versioned=True, server=server))]
    return [{"role": "source", "what": what} for what in (*({"identifier": one} for one in stated), *observed)]


def _says(plan: Plan, decision: Decision) -> str:
    stage = plan.stage(decision.stage).title
    to = f" to stage {plan.stage(decision.to_stage).title}" if decision.to_stage else ""
    return f"Decision {decision.kind}{to}, made in stage {stage} of {plan.protocol.title}"
