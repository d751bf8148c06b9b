"""Every kind of misbehaviour, by its name."""

from collections.abc import Mapping

from careplan_bridge.sandbox.misbehaviours import (
    bodies,
    connections,
    contents,
    logins,
    pages,
    people,
    searches,
    statuses,
    transactions,
    versions,
    writes,
)
from careplan_bridge.sandbox.misbehaviours.kind import Kind

_ROOMS = (statuses, connections, bodies, pages, searches, versions, contents, transactions, writes, people, logins)

KINDS: Mapping[str, Kind] = {kind.name: kind for room in _ROOMS for kind in room.KINDS}
