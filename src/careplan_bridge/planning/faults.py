"""Collects what speaks against a plan, so that all of it is said at once."""

from collections.abc import Iterable

from careplan_bridge.errors import PlanRefused


def refuse(faults: Iterable[str]) -> None:
    """Raises PlanRefused with every fault, one a line, each once; does nothing where there is none."""
    lines = list(dict.fromkeys(faults))
    if lines:
        raise PlanRefused("\n".join(lines))


def listed(names: Iterable[str]) -> str:
    return ", ".join(names) or "none"
