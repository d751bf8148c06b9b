"""Resources together: a collection to keep or show, a transaction to send."""

from collections.abc import Iterable
from urllib.parse import quote

from careplan_bridge.fhir.elements import Element, Resource
from careplan_bridge.fhir.identities import place
from careplan_bridge.fhir.plan_resources import care_plan, goals
from careplan_bridge.model.plan import Plan


def collection(resources: Iterable[Resource]) -> Resource:
    """A Bundle of type collection, in the order given."""
    return {"resourceType": "Bundle", "type": "collection", "entry": [_kept(resource) for resource in resources]}


def transaction(plan: Plan, *, us_core: bool = False) -> Resource:
    """The Goals of the current stage and the CarePlan, each created only where its identifier is not there yet."""
    resources = (*goals(plan, plan.current.id, us_core=us_core), care_plan(plan, us_core=us_core))
    return {"resourceType": "Bundle", "type": "transaction", "entry": [_created(resource) for resource in resources]}


def address(resource: Resource) -> str:
    """The fullUrl of a resource: the canonical of a definition has one already, all else gets a urn from its identifier."""
    if "identifier" in resource:
        return place(resource["resourceType"], resource["identifier"][0]["value"])
    return place(resource["resourceType"], f"{resource.get('url', '')}|{resource.get('version', '')}")


def _kept(resource: Resource) -> Element:
    return {"fullUrl": address(resource), "resource": resource}


def _created(resource: Resource) -> Element:
    ours = resource["identifier"][0]
    query = f"identifier={quote(ours['system'] + '|' + ours['value'], safe='')}"
    request = {"method": "POST", "url": resource["resourceType"], "ifNoneExist": query}
    return {**_kept(resource), "request": request}
