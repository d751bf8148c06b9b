"""A protocol with one stage before discharge, and a case for it, small enough to be read in one look."""

from datetime import date
from decimal import Decimal

from careplan_bridge.files import shipped
from careplan_bridge.model.case import Case, Change, Order, Person, Surgery
from careplan_bridge.model.conventions import Clinic, Conventions
from careplan_bridge.model.criterion import Condition, Criterion, Measured, Precaution, Restriction, WithinBounds
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.protocol import DISCHARGE, Protocol, Stage, Window
from careplan_bridge.model.value import Bounds, Threshold
from careplan_bridge.planning.draft import draft

CATALOGUE = shipped.catalogue()
CLINIC = Clinic(
    base="https://example.org/alder-quay", name="Alder Quay Rehabilitation", contact="-", timezone="Europe/Berlin"
)
SITE = Conventions(clinic=CLINIC, digest="c")
DAY_0 = date(2026, 3, 2)
FLEXION = Measured(measure="knee_flexion", qualifiers={"movement": "passive"})


def at_most(number: int) -> Bounds:
    return Bounds(high=Threshold(number=Decimal(number)))


def at_least(number: int) -> Bounds:
    return Bounds(low=Threshold(number=Decimal(number)))


def bends(number: int, movement: str = "active", side: str = "involved") -> WithinBounds:
    measured = Measured(measure="knee_flexion", side=side, qualifiers={"movement": movement})
    return WithinBounds(measured=measured, bounds=at_least(number))


def limit(
    bounds: Bounds, *, name: str = "flexion", before: int | None = 28, measured: Measured = FLEXION, start: int = 0
) -> Restriction:
    return Restriction(
        id=name, says="Keep it within", measured=measured, bounds=bounds, from_day=start, before_day=before
    )


def a_criterion(condition: Condition, *, name: str = "bend", expected_by: int | None = None) -> Criterion:
    return Criterion(id=name, says="Bends far enough", condition=condition, expected_by=expected_by, no_older_than=10)


def a_stage(
    *criteria: Criterion,
    name: str = "settle",
    window: Window | None = None,
    restrictions: tuple[Restriction, ...] = (),
    precautions: tuple[Precaution, ...] = (),
) -> Stage:
    return Stage(
        id=name,
        title=name.capitalize(),
        window=window or Window(before_day=42, earliest_advance=14),
        restrictions=restrictions,
        precautions=precautions,
        criteria=criteria,
    )


def a_protocol(*stages: Stage) -> Protocol:
    return Protocol(
        id="acl",
        version="1.0.0",
        url="https://example.org/alder-quay/protocol/acl",
        title="ACL",
        notice="made-up criteria, not for care",
        laterality="unilateral",
        signatures={"advance": ("therapist",), "discharge": ("therapist", "surgeon")},
        red_flags=(),
        stages=(*stages, Stage(id=DISCHARGE, title="Discharge", window=Window(from_day=42))),
        digest="p",
    )


def a_case(*changes: Change, performed: tuple[str, ...] = ()) -> Case:
    """With one order for each change, all by the surgeon."""
    orders = (
        Order(id=f"o{place}", by="s1", on=date(2026, 3, 5), says="So ordered", change=change)
        for place, change in enumerate(changes, 1)
    )
    return Case(
        id="quay-1",
        patient="Patient/example-1",
        side="left",
        surgery="graft",
        surgeries=(Surgery(id="graft", procedure="ACL reconstruction", on=DAY_0, side="left", performed=performed),),
        people=(
            Person(id="t1", name="Robin Vale", role="therapist"),
            Person(id="s1", name="Sam Marsh", role="surgeon"),
        ),
        orders=tuple(orders),
        digest="k",
    )


def drafted(protocol: Protocol, case: Case | None = None) -> Plan:
    return draft(protocol, case or a_case(), CATALOGUE, SITE)
