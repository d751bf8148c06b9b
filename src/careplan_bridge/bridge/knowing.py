"""What an endpoint can do and whether it is well, as documents."""

from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Literal

from msgspec.structs import replace

from careplan_bridge.endpoint.capabilities import capabilities
from careplan_bridge.endpoint.health import health as health_of
from careplan_bridge.endpoint.http import Client
from careplan_bridge.endpoint.profile import NEEDED as READ
from careplan_bridge.endpoint.profile import Profile
from careplan_bridge.endpoint.smart import login_words
from careplan_bridge.files.secrets import read_secret
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.model.capabilities import CapabilitiesReport, FactLine, Health
from careplan_bridge.model.endpoint import Endpoint
from careplan_bridge.writeback import account
from careplan_bridge.writeback.probe import probe as run_probe
from careplan_bridge.writeback.routes import known, way

_Serves = Literal["everything", "readings", "plans"]


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a program around us lends: its environment, its clock, and how to wait."""

    environ: Mapping[str, str]
    now: Callable[[], datetime]
    wait: Callable[[float], None]


def forget(of: Endpoint, around: Surroundings, ledger: Path) -> None:
    """Believe a server as if it had never been seen: it was mended, or another one stands there. Of both, where it names two."""
    with Ledger(ledger, now=around.now, owner="careplan-bridge endpoint", new=False) as kept:
        for base in {of.base, of.written.base}:
            kept.forget_facts(base)


def capabilities_of(of: Endpoint, around: Surroundings, ledger: Path, *, probe: bool = False) -> CapabilitiesReport:
    """What an endpoint can do and what follows; with `probe`, after trying it on the test patient. Of each server, where it names two.

    Without a probe nothing is written, and a ledger that is not there is no fault: then nothing was proven or observed.
    """
    if of.record is None:
        return _asked(of, "everything", around, ledger, probe=probe)
    readings = _asked(
        of, "readings", around, ledger, probe=False
    )  # what is only read from is not written to, a probe neither
    return replace(readings, plans=_asked(of.record, "plans", around, ledger, probe=probe))


def _asked(of: Endpoint, role: _Serves, around: Surroundings, ledger: Path, *, probe: bool) -> CapabilitiesReport:
    with _connected(of, around) as client, ExitStack() as stack:
        if not (probe or ledger.exists()):
            return _report(client, role, known(client, None))
        opened = Ledger(ledger, now=around.now, owner="careplan-bridge endpoint", writing=probe)
        kept = stack.enter_context(opened)
        said = run_probe(client, kept) if probe else ()
        return _report(client, role, known(client, kept), said)


def _report(client: Client, role: _Serves, profile: Profile, probed: tuple[str, ...] = ()) -> CapabilitiesReport:
    declared = capabilities(client)
    route = None if role == "readings" else way(profile, client.endpoint)
    facts = (
        FactLine(fact=fact.name, declared=fact.declared, proven=fact.proven, observed=fact.observed, holds=fact.holds)
        for fact in profile.facts.values()
        if role == "everything" or (fact.name in READ) == (role == "readings")
    )
    reads = role != "plans"
    return CapabilitiesReport(
        endpoint=client.endpoint.name,
        environment=client.endpoint.environment,
        known=profile.known,
        fhir_version=declared.fhir_version,
        software=declared.software,
        login=login_words(client),
        role=role,
        facts=tuple(facts),
        route=route,
        does=(*(account.reads(profile) if reads else ()), *(account.writes(route) if route else ())),
        without=(*(account.unread(profile) if reads else ()), *(account.unwritten(route) if route else ())),
        probed=probed,
    )


def health(of: Endpoint, around: Surroundings) -> Health:
    """Whether an endpoint is well just now, and where it names another server for plans, that one too. It needs no ledger."""
    with _connected(of, around) as client:
        found = health_of(client)
    return found if of.record is None else _both(found, health(of.record, around))


def _both(readings: Health, plans: Health) -> Health:
    both = (readings, plans)
    return Health(
        endpoint=readings.endpoint,
        well=readings.well and plans.well,
        login=readings.login and plans.login,
        scopes_missing=readings.scopes_missing + plans.scopes_missing,
        read=readings.read and plans.read,
        says=tuple(f"{one.endpoint}: {sentence}" for one in both for sentence in one.says),
    )


def _connected(of: Endpoint, around: Surroundings) -> Client:
    return Client(of, environ=around.environ, wait=around.wait, clock=around.now, secret=read_secret)
