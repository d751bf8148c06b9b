"""The protocol fitted to a case: the first revision of a plan."""

from collections.abc import Iterator

from careplan_bridge.errors import WrongUse
from careplan_bridge.measures.scales import at_site
from careplan_bridge.model.case import Case, Surgery
from careplan_bridge.model.conventions import Clinic, Conventions
from careplan_bridge.model.measure import Catalogue
from careplan_bridge.model.plan import Plan, ProtocolRef
from careplan_bridge.model.protocol import Protocol, Stage
from careplan_bridge.planning.contradictions import contradictions
from careplan_bridge.planning.facts import facts, unknown_measures
from careplan_bridge.planning.faults import refuse
from careplan_bridge.planning.identity import plan_id
from careplan_bridge.planning.order_units import in_measure_units
from careplan_bridge.planning.orders import misaddressed, ordered, standing
from careplan_bridge.planning.people import counted_from, misfits
from careplan_bridge.planning.performed import applicable, near_misses
from careplan_bridge.planning.references import referred


def draft(protocol: Protocol, case: Case, catalogue: Catalogue, conventions: Conventions) -> Plan:
    """Revision 1: what does not hold for this surgery is left out, the orders are worked in, facts are embedded.

    Raises PlanRefused with everything in which protocol and case contradict each other, above all a criterion that demands
    what a restriction forbids at that time; WrongUse where the conventions name no clinic.
    """
    clinic, catalogue = _clinic(conventions), at_site(catalogue, conventions)
    surgery = _fitting(protocol, case, catalogue)
    orders = in_measure_units(case.orders, protocol.stages, catalogue)
    changed = ordered(applicable(protocol.stages, case), orders, catalogue.measures, surgery.on)
    stages = referred(changed, standing(orders), catalogue)
    refuse(contradictions(stages, case, standing(orders), catalogue, surgery.on))
    return Plan(
        id=plan_id(clinic, case.id, protocol.id),
        revision=1,
        case=case.id,
        patient=case.patient,
        protocol=_ref(protocol),
        clinic=clinic,
        side=case.side,
        surgery=case.surgery,
        surgeries=case.surgeries,
        people=case.people,
        orders=case.orders,
        orders_confirmed=case.orders_confirmed,
        own_goals=case.own_goals,
        signatures=protocol.signatures,
        red_flags=protocol.red_flags,
        stages=stages,
        facts=facts(stages, catalogue),
        catalogue_digest=catalogue.digest,
        conventions_digest=conventions.digest,
        case_digest=case.digest,
    )


def _clinic(conventions: Conventions) -> Clinic:
    if conventions.clinic is None:
        raise WrongUse(
            "The conventions name no clinic; a plan needs [clinic] with base, name, contact and timezone: they make its "
            "identifiers, its calendar and whom to call."
        )
    return conventions.clinic


def _fitting(protocol: Protocol, case: Case, catalogue: Catalogue) -> Surgery:
    """The surgery that days count from, once nothing speaks against the pair."""
    refuse(_misfits(protocol, case, catalogue))
    surgery = counted_from(case)
    assert surgery is not None  # noqa: S101 - a case without it was refused
    return surgery


def _misfits(protocol: Protocol, case: Case, catalogue: Catalogue) -> Iterator[str]:
    yield from misfits(protocol, case)
    yield from near_misses(protocol, case)
    yield from unknown_measures(protocol.stages, catalogue)
    stages: tuple[Stage, ...] = applicable(protocol.stages, case)
    yield from misaddressed(protocol, stages, case.orders)


def _ref(protocol: Protocol) -> ProtocolRef:
    return ProtocolRef(
        id=protocol.id,
        version=protocol.version,
        url=protocol.url,
        title=protocol.title,
        notice=protocol.notice,
        digest=protocol.digest,
    )
