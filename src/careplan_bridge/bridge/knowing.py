"""What an endpoint can do and whether it is well, as documents."""

from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from careplan_bridge.endpoint.capabilities import capabilities
from careplan_bridge.endpoint.health import health as health_of
from careplan_bridge.endpoint.http import Client
from careplan_bridge.endpoint.profile import Profile
from careplan_bridge.endpoint.smart import login_words
from careplan_bridge.files.secrets import read_secret
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.model.capabilities import CapabilitiesReport, FactLine, Health
from careplan_bridge.model.endpoint import Endpoint
from careplan_bridge.writeback import account
from careplan_bridge.writeback.probe import probe as run_probe
from careplan_bridge.writeback.routes import known, way


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a program around us lends: its environment, its clock, and how to wait."""

    environ: Mapping[str, str]
    now: Callable[[], datetime]
    wait: Callable[[float], None]


def capabilities_of(of: Endpoint, around: Surroundings, ledger: Path, *, probe: bool = False) -> CapabilitiesReport:
    """What an endpoint can do and what follows; with `probe`, after trying it on the test patient.

    Without a probe nothing is written, and a ledger that is not there is no fault: then nothing was proven or observed.
    """
    with _connected(of, around) as client, ExitStack() as stack:
        if not (probe or ledger.exists()):
            return _report(client, known(client, None))
        opened = Ledger(ledger, now=around.now, owner="careplan-bridge endpoint", writing=probe)
        kept = stack.enter_context(opened)
        said = run_probe(client, kept) if probe else ()
        return _report(client, known(client, kept), said)


def _report(client: Client, profile: Profile, probed: tuple[str, ...] = ()) -> CapabilitiesReport:
    declared = capabilities(client)
    route = way(profile, client.endpoint)
    facts = (
        FactLine(fact=fact.name, declared=fact.declared, proven=fact.proven, observed=fact.observed, holds=fact.holds)
        for fact in profile.facts.values()
    )
    return CapabilitiesReport(
        endpoint=client.endpoint.name,
        environment=client.endpoint.environment,
        known=profile.known,
        fhir_version=declared.fhir_version,
        software=declared.software,
        login=login_words(client),
        facts=tuple(facts),
        route=route,
        does=account.does(profile, route),
        without=account.without(profile, route),
        probed=probed,
    )


def health(of: Endpoint, around: Surroundings) -> Health:
    """Whether an endpoint is well just now; it needs no ledger and changes nothing."""
    with _connected(of, around) as client:
        return health_of(client)


def _connected(of: Endpoint, around: Surroundings) -> Client:
    return Client(of, environ=around.environ, wait=around.wait, clock=around.now, secret=read_secret)
