"""What the bridge will do on a server and what it will do without, in sentences: the ladder as it stands for this one."""

from collections.abc import Iterator

from careplan_bridge.endpoint.profile import Profile
from careplan_bridge.model.route import Making, Route
from careplan_bridge.writeback.routes import RESOURCES

_MAKE: dict[Making, str] = {
    "conditional": "create each resource on condition that none carries its identifier yet (If-None-Exist)",
    "client-id": "create each resource under an id of its own choosing, so that no repetition can double it",
    "search": "search before each create, and again after it; one bridge may write for a patient at a time",
}


def reads(of: Profile) -> tuple[str, ...]:
    return ("read a person's Observations",) if of.holds("Observation.search-type") else ()


def unread(of: Profile) -> tuple[str, ...]:
    lacking = "no search of Observations: readings must come from files"
    return () if of.holds("Observation.search-type") else (lacking,)


def writes(way: Route) -> tuple[str, ...]:
    return tuple(_writes(way))


def unwritten(way: Route) -> tuple[str, ...]:
    return tuple(_unwritten(way))


def _writes(way: Route) -> Iterator[str]:
    if way.medium == "by-hand":
        yield "park each signed decision, write the sheet for hand entry, and wait until a named person has transcribed it"
        return
    yield _MAKE[way.make]
    if way.medium != "resources":
        yield f"write each signed decision as one {RESOURCES[way.medium]}"
        return
    whole, stepwise = (
        "write a decision as one transaction, then Provenance",
        "write a decision step by step; the CarePlan is the commit point",
    )
    yield whole if way.together else stepwise
    if way.guard == "version":
        yield "guard each update by the version it was made on (If-Match)"
    elif way.guard == "none":
        yield "update without a guard, as `allow_unguarded` says"
    if way.goal_states != "goals":
        yield "say in a note of the CarePlan what becomes of each criterion"


def _unwritten(way: Route) -> Iterator[str]:
    if way.medium != "resources":
        yield "no CarePlan and no Goals: the plan lives in the ledger"
        return
    if not way.together:
        yield "no transaction: a decision that is cut off is gone on with by the next run"
    if way.find == "ledger":
        yield "no business identifiers: what is ours is known by the ledger, and by content where an answer was lost"
    if way.guard == "refused":
        yield "no guarded update: decisions are refused unless the endpoint file says `allow_unguarded = true`"
    if way.goal_states == "note-only":
        yield "no Goals"
    elif way.goal_states == "note":
        yield "no changes to Goals: they stay as planned"
    if not way.provenance:
        yield "no Provenance: who signed stands in the ledger alone"
