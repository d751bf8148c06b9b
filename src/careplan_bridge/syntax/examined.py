"""What examining a file gave: its value and the faults that were found; the one thing, or the other, for whoever asked."""

from collections.abc import Callable
from typing import TypeVar

from careplan_bridge.errors import Fault, FileRefused
from careplan_bridge.syntax.spot import Faults

Found = TypeVar("Found")


def without_fault(found: Found | None, faults: Faults) -> Found:
    """The value. Raises FileRefused with every fault of the file, if it has one that is no mere warning."""
    if found is None or faults.refused:
        raise faults.stop()
    return found


def every_fault(examine: Callable[[], tuple[object, Faults]]) -> tuple[Fault, ...]:
    """Every fault and warning, in the order of the file, also where it could not be read to its end."""
    try:
        return examine()[1].sorted()
    except FileRefused as refused:
        return refused.faults
