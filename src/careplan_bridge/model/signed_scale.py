"""Two measures that are the two directions of one scale: a deficit short of neutral, and what lies past it."""

from collections.abc import Mapping

from careplan_bridge.model.measure import Measure


def twin(measure: str, facts: Mapping[str, Measure]) -> str | None:
    """The other end of the same signed scale: hyperextension for an extension deficit, and back; None where there is none."""
    own = facts.get(measure)
    if own is None or own.signed is None:
        return None
    return next(
        (name for name, other in facts.items() if name != measure and other.signed and other.joint == own.joint), None
    )
