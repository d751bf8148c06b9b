"""Three-way comparison of the elements we manage: as last written, as the server holds them, as they are to become.

A change made elsewhere is kept; it is a conflict only where our change would overwrite it.
"""

from collections.abc import Iterator, Mapping
from typing import Any, cast

import msgspec

from careplan_bridge.errors import WriteConflict
from careplan_bridge.fhir.progress import managed
from careplan_bridge.model.digest import canonical
from careplan_bridge.writeback.identity import Resource, reference_of

Flat = dict[str, Any]
MANAGED = ("CarePlan", "Goal")
LISTED = "listed"


def flat(resource: Resource) -> Flat:
    """The managed elements as dotted paths, each member of a list under a path of its own; nothing of types we never change."""
    if resource["resourceType"] not in MANAGED:
        return {}
    return dict(_leaves(msgspec.json.decode(canonical(managed(resource))), ""))


def refuse_overwriting(last: Flat | None, stored: Resource, wanted: Resource) -> None:
    """Raise WriteConflict, naming element and values, where `wanted` would overwrite what was changed since `last`."""
    reference = reference_of(stored)
    if last is None:
        raise WriteConflict(
            f"{reference} was never written or read by this ledger, so a change made elsewhere could not be told from our own; "
            "use the ledger that the plan was pushed with"
        )
    clashes = list(_clashes(last, flat(stored), flat(wanted)))
    if clashes:
        raise WriteConflict(
            f"{reference} was changed elsewhere since we last wrote it: {'; '.join(clashes)}. Nothing was overwritten. "
            f"Where the change is a mistake, set it back in the record and run this again; else `respond PLAN conflict {reference}`"
        )


def ground(last: Flat, before: Flat, after: Flat) -> Flat:
    """What the next comparison stands on: our changes as the server took them, all else as we last wrote it.

    What someone else changed meanwhile is not taken in: it would be overwritten without a word the next time.
    """
    ours = {path for path in before.keys() | after.keys() if before.get(path) != after.get(path)}
    kept = {path: value for path, value in last.items() if path not in ours}
    return kept | {path: after[path] for path in ours if path in after}


def differing(sent: Resource, stored: Resource) -> list[str]:
    """Managed elements that the server holds otherwise than they were sent."""
    one, other = flat(sent), flat(stored)
    return [path for path in sorted(one.keys() | other.keys()) if one.get(path) != other.get(path)]


def _clashes(last: Flat, stored: Flat, wanted: Flat) -> Iterator[str]:
    for path in sorted(last.keys() | stored.keys() | wanted.keys()):
        had, holds, becomes = last.get(path), stored.get(path), wanted.get(path)
        if holds not in (had, becomes):
            yield f"{path} was {_shown(had)}, is {_shown(holds)}, and would become {_shown(becomes)}"


def _leaves(value: object, path: str) -> Iterator[tuple[str, Any]]:
    if isinstance(value, Mapping):
        for name, inner in cast("Mapping[str, Any]", value).items():
            yield from _leaves(inner, f"{path}.{name}" if path else name)
    elif isinstance(value, list):
        # What someone else adds to a list stays in it beside what we add: no reason to stop.
        yield from ((f"{path}[{_shown(member)}]", LISTED) for member in cast("list[Any]", value))
    elif value is not None:
        yield path, value


def _shown(value: object) -> str:
    return "nothing" if value is None else canonical(value).decode()
