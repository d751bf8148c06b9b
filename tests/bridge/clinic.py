"""A clinic with demo cases on a sandbox: plans pushed, Observations recorded, one Link away."""

from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

from msgspec.structs import replace

from careplan_bridge import bridge
from careplan_bridge.model.conventions import Conventions
from careplan_bridge.model.endpoint import Endpoint
from careplan_bridge.model.plan import Plan
from tests.flow.workplace import FIXTURES, Resource, Workplace, observations, patient

NOW = datetime(2026, 6, 1, 9, tzinfo=UTC)
SITE: Conventions = bridge.conventions(FIXTURES / "conventions.toml")


def endpoint(base: str, *, unsigned: tuple[str, ...] = ()) -> Endpoint:
    return Endpoint(name="rehearsal", base=base, environment="sandbox", unsigned=unsigned)


def link(folder: Path, where: Endpoint) -> bridge.Link:
    return bridge.Link(
        ledger_path=folder / "ledger.sqlite", now=lambda: NOW, owner="a test", endpoint=where, conventions=SITE
    )


def plan_of(protocol: str, case: str) -> Plan:
    files = FIXTURES / "protocols" / f"{protocol}.yaml", FIXTURES / "cases" / f"{case}.yaml"
    return bridge.draft(bridge.protocol(files[0]), bridge.case(files[1]), SITE)


def record(base: str, resources: Iterable[Resource]) -> None:
    Workplace(Path(), base).record(resources)


def held(base: str, kind: str, **query: str) -> list[Resource]:
    return Workplace(Path(), base).held(kind, **query)


def settle_in(site: bridge.Link, base: str, protocol: str, outcome: str) -> tuple[Plan, datetime]:
    """A plan pushed for an invented person, with a shipped set of Observations on the server; and when it is to be judged."""
    measured, expected = observations(protocol, outcome)
    plan = plan_of(protocol, expected["case"])
    record(base, [patient(plan.patient)])
    site.push_plan(plan)
    record(base, measured)
    return plan, datetime.fromisoformat(expected["at"])


def with_two_signatures(plan: Plan) -> Plan:
    """The same plan, whose advance the surgeon signs as well."""
    return replace(plan, signatures={**plan.signatures, "advance": ("therapist", "surgeon")})
