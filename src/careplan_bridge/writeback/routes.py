"""Which way a write goes, by what is known of the server: the ladder. Each way is a value; what follows is decided where it is used."""

from careplan_bridge.endpoint.capabilities import Capabilities, capabilities
from careplan_bridge.endpoint.http import Client
from careplan_bridge.endpoint.profile import Profile, profile
from careplan_bridge.errors import ServerRefused
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.model.endpoint import Endpoint
from careplan_bridge.model.route import Finding, GoalStates, Guarding, Making, Medium, Route

RECORDS: tuple[tuple[str, Medium], ...] = (
    ("DocumentReference.create", "document"),
    ("Observation.create", "observation"),
    ("Communication.create", "communication"),
)


RESOURCES: dict[Medium, str] = {medium: fact.partition(".")[0] for fact, medium in RECORDS}


def known(client: Client, ledger: Ledger | None) -> Profile:
    """What is known of the server up to now; without a ledger, what it declares."""
    base = client.endpoint.base
    if ledger is None:
        return profile(capabilities(client), {}, {})
    return profile(capabilities(client), ledger.facts(base, "proven"), ledger.facts(base, "observed"))


def route(client: Client, ledger: Ledger) -> Route:
    """The way for this endpoint at this moment."""
    return way(known(client, ledger), client.endpoint)


def way(of: Profile, endpoint: Endpoint) -> Route:
    """The highest rung that holds, for each matter by itself."""
    medium = _medium(of, endpoint)
    make, find, guard, goals = _make(of), _find(of), _guard(of, endpoint), _goal_states(of)
    whole = (make, find, guard, goals) == ("conditional", "identifier", "version", "goals")
    together = medium == "resources" and whole and endpoint.transactions == "declared" and of.holds("transaction")
    return Route(
        medium=medium,
        together=together,
        at_most=endpoint.limits.transaction_size,
        make=make,
        find=find,
        guard=guard,
        goal_states=goals,
        provenance=of.holds("Provenance.create"),
    )


def _medium(of: Profile, endpoint: Endpoint) -> Medium:
    """A CarePlan that can be made and never changed would say what is no longer so: it takes both to write plans."""
    if endpoint.plans == "ledger":
        return "by-hand"
    if of.holds("CarePlan.create") and of.holds("CarePlan.update"):
        return "resources"
    for fact, medium in RECORDS:
        if of.holds(fact):
            return medium
    return "by-hand"


def _make(of: Profile) -> Making:
    if of.holds("conditional-create") and of.holds("identifier"):
        return "conditional"
    # A resource under an id of ours is made by an update: where Goals can't be updated, they can't be made that way.
    return "client-id" if of.holds("client-id") and _goal_states(of) != "note" else "search"


def _find(of: Profile) -> Finding:
    return "identifier" if of.holds("identifier") else "ledger"


def _guard(of: Profile, endpoint: Endpoint) -> Guarding:
    if of.holds("version"):
        return "version"
    return "none" if endpoint.allow_unguarded else "refused"


def _goal_states(of: Profile) -> GoalStates:
    if not of.holds("Goal.create"):
        return "note-only"
    return "goals" if of.holds("Goal.update") else "note"


def making(client: Client, kind: str) -> Making:
    """How a resource without an identifier of ours (a definition, a Provenance) is made: by what is declared for its type."""
    return "conditional" if capabilities(client).of(kind).conditional_create else "search"


def refuse_unknown(client: Client, of: Profile) -> None:
    """Raise ServerRefused where neither the server nor a probe says anything: nothing can be said beforehand then."""
    if not of.known:
        raise ServerRefused(unknown(client.endpoint.name))


def unknown(name: str) -> str:
    return f"{name} does not say what it can do (no CapabilityStatement could be read); `endpoint FILE --probe` finds out. Nothing was sent"


def takes(offered: Capabilities, kind: str) -> bool:
    return offered.offers(kind, "create")


def refuse_unguarded(way: Route, endpoint: Endpoint) -> None:
    """Raise ServerRefused before anything is sent where an update could overwrite what nobody saw."""
    if way.guard == "refused":
        raise ServerRefused(unguarded(endpoint.name))


def unguarded(name: str) -> str:
    return (
        f"{name} keeps no versions, so an update could overwrite what someone else wrote meanwhile; nothing was sent. "
        "`allow_unguarded = true` in the endpoint file accepts that; else enter the decision by hand: `respond DECISION transcribed`"
    )
