"""Protocols and plans to a server. Pushing again changes nothing and says so."""

from collections import Counter
from collections.abc import Sequence
from functools import partial

from careplan_bridge.endpoint.capabilities import capabilities
from careplan_bridge.endpoint.http import Client
from careplan_bridge.endpoint.untrusted import an_object, text
from careplan_bridge.errors import InputRefused, WriteConflict
from careplan_bridge.fhir.notes import without_places
from careplan_bridge.fhir.plan_resources import care_plan, goals
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.ledger.records import Binding
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.receipt import Receipt
from careplan_bridge.model.route import Route
from careplan_bridge.writeback.content import holds
from careplan_bridge.writeback.converge import Converge
from careplan_bridge.writeback.identity import Resource, by_canonical, by_identifier, find, reference_of
from careplan_bridge.writeback.patient import Elsewhere, as_written, bound, is_out_of_use, refuse_changed_identity
from careplan_bridge.writeback.routes import RESOURCES, known, refuse_unknown, takes
from careplan_bridge.writeback.writes import Create, Write, relinked

NOTHING_TO_DO = "everything was on the server already; nothing was changed"


def push_protocol(client: Client, ledger: Ledger, resources: Sequence[Resource], *, dry_run: bool = False) -> Receipt:
    """Send the definitions that make up a protocol, each once per url and version.

    Types that the server does not take are left out and named. Raises WriteConflict where it holds a version with other content.
    """
    subject = next((by_canonical(each).name for each in resources if each["resourceType"] == "PlanDefinition"), "")
    work = Converge(client, ledger, subject=subject, dry_run=dry_run)
    offered = [each for each in resources if takes(capabilities(client), each["resourceType"])]
    work.told.says += _left_out(client, resources, offered)
    writes = [Create(by_canonical(each), _without_id(each)) for each in offered]
    _refuse_twins(writes)
    missing = _missing_definitions(client, writes)
    if work.as_one(lambda: not _missing(work, writes), lambda: missing, also=lambda: None):
        return work.told.receipt()
    for write in writes:
        work.create(write)
    return _finished(work)


def push_plan(
    client: Client, ledger: Ledger, plan: Plan, *, elsewhere: Elsewhere | None = None, dry_run: bool = False
) -> Receipt:
    """Send the CarePlan and the Goals of the current stage as a draft, and bind the plan to this endpoint.

    `elsewhere`: where the readings lie on another server; what is known of that from an earlier push need not be said again.

    One transaction where the server offers them; else the Goals first, so that a CarePlan never points to nothing. What is there
    already is left alone. Raises WriteConflict naming both where two resources carry the same identifier.
    """
    refuse_unknown(client, known(client, ledger))
    work = Converge(client, ledger, subject=plan.id, plan=plan.id, dry_run=dry_run)
    way = work.locate.route
    binding = ledger.binding(plan.id)
    if way.medium != "by-hand":
        _refuse_who_is_out_of_use(client, plan, binding, elsewhere)
    elsewhere = elsewhere or (bound(binding) if binding else None)
    newest = as_written(ledger.plan(plan.id) or plan, elsewhere)
    goal_writes, plan_write = _plan_writes(newest, way, us_core=client.endpoint.us_core)
    _refuse_twins([*goal_writes, plan_write])
    if not dry_run:
        _bind(client, ledger, plan, elsewhere)
    if way.medium != "resources":
        work.told.says.append(kept_here(client.endpoint.name, way))
        return work.told.receipt()
    if work.as_one(
        lambda: work.locate.found(plan_write) is not None,
        lambda: _missing(work, [*goal_writes, plan_write]),
        also=lambda: None,
    ):
        return work.told.receipt()
    places = {
        write.place: work.create(write, partial(ledger.bind_goal, plan.id, write.identity.name))
        for write in goal_writes
    }
    linked = Create(plan_write.identity, relinked(plan_write.resource, places))
    work.create(linked, partial(ledger.bind_care_plan, plan.id))
    # A conditional create is no lock: two runs that pushed this plan at the same moment are both told here.
    work.locate.found(plan_write)
    return _finished(work)


def _refuse_who_is_out_of_use(client: Client, plan: Plan, binding: Binding | None, elsewhere: Elsewhere | None) -> None:
    """Of a plan that is new here, the server says itself whether it knows the Patient; that it was merged it would not say."""
    if binding is not None:
        refuse_changed_identity(client, binding.patient)
    elif elsewhere is None and is_out_of_use(client, plan.patient):
        refuse_changed_identity(client, plan.patient)


def _bind(client: Client, ledger: Ledger, plan: Plan, elsewhere: Elsewhere | None) -> None:
    ledger.add_plan(plan)
    patient, readings = (elsewhere.patient, elsewhere.readings) if elsewhere else (plan.patient, None)
    ledger.bind(plan.id, client.endpoint, patient, readings)


def kept_here(name: str, way: Route) -> str:
    """What a plan that is written nowhere but in the ledger comes to."""
    where = (
        "will be parked for hand entry" if way.medium == "by-hand" else f"will go there as one {RESOURCES[way.medium]}"
    )
    return f"{name} takes no CarePlan that could be kept up to date: the plan lives in this ledger alone; each signed decision {where}"


def _plan_writes(plan: Plan, way: Route, *, us_core: bool) -> tuple[list[Create], Create]:
    """Goals and CarePlan of the current stage; the CarePlan refers to the Goals by their places, where there will be Goals."""
    resource = care_plan(plan, us_core=us_core)
    if way.goal_states == "note-only":
        return [], Create(by_identifier(resource), without_places(resource))
    goal_writes = [Create(by_identifier(goal), goal) for goal in goals(plan, plan.current.id, us_core=us_core)]
    return goal_writes, Create(by_identifier(resource), resource)


def _without_id(resource: Resource) -> Resource:
    """A definition is found by its url; what id it gets is the server's to say, and some refuse one in what is created."""
    return {name: value for name, value in resource.items() if name != "id"}


def _missing(work: Converge, writes: Sequence[Create]) -> list[Write]:
    """What is not on the server yet, with references to what is."""
    found = {write.place: reference_of(stored.resource) for write in writes if (stored := work.locate.found(write))}
    return [Create(write.identity, relinked(write.resource, found)) for write in writes if write.place not in found]


def _missing_definitions(client: Client, writes: Sequence[Create]) -> list[Write]:
    """Definitions that are not on the server yet; those that are there must say the same."""
    found = [(write, find(client, write.identity)) for write in writes]
    other = [write.identity for write, stored in found if stored and not holds(stored.resource, write.resource)]
    if other:
        named = ", ".join(f"{identity.kind} {identity.name}" for identity in other)
        raise WriteConflict(
            f"the server holds other content under {named}; a version never changes: give the protocol (or the catalogue) a new version"
        )
    return [write for write, stored in found if stored is None]


def _left_out(client: Client, resources: Sequence[Resource], offered: Sequence[Resource]) -> list[str]:
    out = Counter(each["resourceType"] for each in resources if each not in offered)
    return [f"{client.endpoint.name} does not take {kind}: {count} left out" for kind, count in sorted(out.items())]


def _refuse_twins(writes: Sequence[Create]) -> None:
    """Two resources under one identity would be stored as one, without a word: refused before anything is sent."""
    seen: dict[tuple[str, str], Create] = {}
    for write in writes:
        twin = seen.setdefault((write.identity.kind, write.identity.name), write)
        if twin is not write:
            raise InputRefused(
                f"{write.identity.kind} {write.identity.name} stands for two different things: {_title(twin.resource)} and "
                f"{_title(write.resource)}; give their stage or criterion another id"
            )


def _title(resource: Resource) -> str:
    return repr(
        text(resource, "title") or text(an_object(resource.get("description")), "text") or resource["resourceType"]
    )


def _finished(work: Converge) -> Receipt:
    if not work.told.receipt().changed and not work.dry_run:
        work.told.says.append(NOTHING_TO_DO)
    return work.told.receipt()
