"""Fetch one person's Observations, and say whether that is all of them (I4).

They are asked for without code, category or date: a measurement may be coded in ways no list foresees. Where a server
refuses that, it is asked for one category after the other; that is complete only if the site says that its list is.
"""

from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import datetime
from typing import Any

from careplan_bridge.endpoint.http import Client, Params
from careplan_bridge.endpoint.identity import identity_changed
from careplan_bridge.endpoint.outcomes import Refused
from careplan_bridge.endpoint.search import Found, search
from careplan_bridge.endpoint.versions import which_version
from careplan_bridge.errors import WrongUse
from careplan_bridge.ledger.records import Binding
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.retrieval import Query, Retrieval, RetrievalHeader

# What servers answer to a search they find too broad.
TOO_BROAD = {400, 403, 422, 501}

NOT_ALL_CATEGORIES = "the server wants a category, and the endpoint file does not say that its list is exhaustive (`categories_exhaustive`)"


def refuse_other_server(client: Client, binding: Binding | None) -> None:
    """Raise WrongUse where the plan's readings lie elsewhere: its Patient's id may be somebody else's on this server."""
    if binding is not None and binding.pulled_from != client.endpoint.base:
        where = "the server of readings of the endpoint file" if binding.readings else f"endpoint {binding.endpoint},"
        raise WrongUse(
            f"plan {binding.plan} has its readings on {where} that it was pushed with, not on {client.endpoint.name}; "
            "nothing was read, as the same id may be another person's here. Name that file"
        )


def pull(client: Client, plan: Plan, *, now: Callable[[], datetime]) -> Retrieval:
    """All Observations about the plan's patient. Raises Refused, LoginRefused or EndpointDown where nothing can be known."""
    started = now()
    changed = identity_changed(client, plan.patient)
    person = _person(changed)
    searched = _observations(client, plan.patient)
    observations = _each_once(found for _, found in searched)
    queries = (person, *(_query(asked, found) for asked, found in searched))
    header = RetrievalHeader(
        plan=plan.id,
        endpoint=client.endpoint.name,
        started=started,
        ended=now(),
        complete=all(query.complete for query in queries),
        identity=changed,
        queries=queries,
        observations=len(observations),
    )
    return Retrieval(header=header, observations=observations)


def _person(changed: str) -> Query:
    """After a merge a person's Observations lie under another id: what this id has is not all."""
    why = f"identity changed: {changed}; settle which Patient the plan is about" if changed else ""
    return Query(asked="read Patient", pages=1, entries=0 if changed else 1, complete=not changed, why=why)


def _observations(client: Client, patient: str) -> list[tuple[str, Found]]:
    try:
        return [("Observation", search(client, "Observation", [("patient", patient)]))]
    except Refused as refused:
        if refused.status not in TOO_BROAD or not client.endpoint.categories:
            raise
    return [_by_category(client, patient, category) for category in client.endpoint.categories]


def _by_category(client: Client, patient: str, category: str) -> tuple[str, Found]:
    params: Params = [("patient", patient), ("category", category)]
    found = search(client, "Observation", params)
    if found.complete and not client.endpoint.categories_exhaustive:
        found = replace(found, complete=False, why=NOT_ALL_CATEGORIES)
    return f"Observation, category {category}", found


def _query(asked: str, found: Found) -> Query:
    return Query(asked=asked, pages=found.pages, entries=len(found.resources), complete=found.complete, why=found.why)


def _each_once(searches: Iterable[Found]) -> tuple[dict[str, Any], ...]:
    """An Observation of two categories comes twice."""
    every = (resource for found in searches for resource in found.resources)
    return tuple({which_version(resource): resource for resource in every}.values())
