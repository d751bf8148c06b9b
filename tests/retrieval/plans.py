"""A plan with nothing in it but the person: all that fetching needs."""

from datetime import date

from careplan_bridge.model.case import Surgery
from careplan_bridge.model.conventions import Clinic
from careplan_bridge.model.plan import Plan, ProtocolRef

BASE = "https://example.org/alder-quay"


def plan_of(patient: str) -> Plan:
    return Plan(
        id="6f1c1f5e-0000-5000-8000-000000000001",
        revision=1,
        case="case-1",
        patient=patient,
        protocol=ProtocolRef(
            id="p", version="1.0.0", url=f"{BASE}/protocol/p", title="P", notice="made-up criteria", digest="d"
        ),
        clinic=Clinic(
            base=BASE, name="Alder Quay Rehabilitation", contact="made-up telephone", timezone="Europe/Berlin"
        ),
        side="left",
        surgery="s1",
        surgeries=(Surgery(id="s1", procedure="ACL reconstruction", on=date(2026, 1, 5), side="left"),),
        people=(),
        orders=(),
        orders_confirmed=None,
        own_goals=(),
        signatures={},
        red_flags=(),
        stages=(),
        facts={},
        catalogue_digest="",
        conventions_digest="",
        case_digest="",
    )
