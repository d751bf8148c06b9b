"""What a decision says of the Goals, in a note of the CarePlan: for servers on which Goals can't be changed, or are none."""

from collections.abc import Sequence
from copy import deepcopy

from careplan_bridge.fhir.elements import Resource, instant, markdown, members
from careplan_bridge.fhir.progress import signed_at
from careplan_bridge.model.decision import Decision


def noted(resource: Resource, decision: Decision, words: Sequence[str]) -> Resource:
    """The CarePlan with the note of this decision, once: a note that names the decision is left as it is, whoever changed it."""
    if any(decision.id in note.get("text", "") for note in members(resource, "note")):
        return resource
    after = deepcopy(resource)
    heading = f"Criteria when decision {decision.id} ({decision.kind}) was signed:"
    text = "\n".join((heading, *(f"- {markdown(line)}" for line in words)))
    after["note"] = [*members(resource, "note"), {"time": instant(signed_at(decision)), "text": text}]
    return after


def without_places(resource: Resource) -> Resource:
    """The CarePlan without its references to Goals that are not made."""
    bare = {name: value for name, value in resource.items() if name != "goal"}
    return {**bare, "activity": [_without_goal(activity) for activity in members(resource, "activity")]}


def _without_goal(activity: Resource) -> Resource:
    detail = {name: value for name, value in activity.get("detail", {}).items() if name != "goal"}
    return {**activity, "detail": detail}
