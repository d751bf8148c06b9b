"""A protocol as FHIR definitions, and fitted to a case; plans found again. Needs no server.

The FHIR models and the page templates are slow to import: only what needs them brings them in.
"""

from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from careplan_bridge.errors import WrongUse
from careplan_bridge.files import documents
from careplan_bridge.model.plan import Plan

if TYPE_CHECKING:
    from careplan_bridge.ledger.ledger import Ledger
    from careplan_bridge.model.case import Case
    from careplan_bridge.model.conventions import Conventions
    from careplan_bridge.model.protocol import Protocol

# ruff: noqa: PLC0415

Resource = dict[str, Any]


def convert(of: "Protocol", by: "Conventions") -> tuple[Resource, ...]:
    """PlanDefinition, ActivityDefinitions, Questionnaire, ConceptMap, CodeSystems, StructureDefinitions; the same bytes each time."""
    from careplan_bridge.fhir.protocol_resources import protocol_resources
    from careplan_bridge.files import shipped

    if by.clinic is None:
        raise WrongUse("The conventions file has no [clinic]; its base makes the identifiers of what is converted.")
    return protocol_resources(of, shipped.catalogue(), by.clinic)


def draft(of: "Protocol", for_: "Case", by: "Conventions") -> Plan:
    """The protocol fitted to the case. Raises PlanRefused where the two contradict each other."""
    from careplan_bridge.files import shipped
    from careplan_bridge.planning.draft import draft as draft_plan

    return draft_plan(of, for_, shipped.catalogue(), by)


def bundle(resources: Sequence[Resource]) -> Resource:
    """Resources as one collection Bundle."""
    from careplan_bridge.fhir.bundles import collection

    return collection(resources)


def transaction(of: Plan, *, us_core: bool = False) -> Resource:
    """The CarePlan and the Goals of the current stage as the transaction that `push` sends."""
    from careplan_bridge.fhir.bundles import transaction as transaction_of

    return transaction_of(of, us_core=us_core)


def plan_page(of: Plan) -> str:
    """The plan as a page."""
    from careplan_bridge.review import page as pages

    return pages.plan_page(msgspec.to_builtins(of, builtin_types=(Decimal,)))


def plan(reference: str, ledger: "Ledger | None" = None) -> Plan:
    """A plan by its document's path, or by its id in the ledger. Raises WrongUse where it is neither.

    Where the ledger knows the document's plan, the ledger's is taken: it has the course to this day.
    """
    document = documents.read_plan(Path(reference)) if Path(reference).is_file() else None
    kept = ledger.plan(document.id if document else reference) if ledger else None
    found = kept if kept and (document is None or kept.revision >= document.revision) else document
    if found is None:
        place = "the id of a plan in the ledger" if ledger else "is there a ledger in which it could be a plan's id"
        raise WrongUse(f"{reference!r} is neither the path of a plan document nor {place}.")
    return found
