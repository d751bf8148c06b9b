"""Where a check stands in a file while it looks for faults, and the list it writes them to."""

from dataclasses import dataclass, field

from careplan_bridge.errors import Fault, FileRefused
from careplan_bridge.syntax.node import Node, Place


@dataclass(slots=True)
class Faults:
    """All faults found in the file called `name`, each once."""

    name: str
    found: dict[Fault, None] = field(default_factory=dict[Fault, None])

    def add(self, place: Place, what: str, mend: str, *, warning: bool = False) -> None:
        self.found[Fault(self.name, place.line, place.column, what, mend, warning)] = None

    @property
    def refused(self) -> bool:
        return any(not fault.warning for fault in self.found)

    def sorted(self) -> tuple[Fault, ...]:
        return tuple(sorted(self.found))

    def stop(self) -> FileRefused:
        """The refusal to raise; warnings alone refuse nothing and are left out."""
        return FileRefused([fault for fault in self.found if not fault.warning])


@dataclass(frozen=True, slots=True)
class Spot:
    """A node under examination."""

    node: Node
    faults: Faults

    def __getitem__(self, step: str | int) -> "Spot":
        """The spot of a key or list entry; where it does not exist, this spot itself."""
        child = self.node.child(step)
        return self if child is None else Spot(child, self.faults)

    def has(self, key: str) -> bool:
        return self.node.child(key) is not None

    def wrong(self, what: str, mend: str) -> None:
        self.faults.add(self.node.place, what, mend)

    def wrong_key(self, what: str, mend: str) -> None:
        self.faults.add(self.node.key_place or self.node.place, what, mend)

    def lacks(self, what: str, mend: str) -> None:
        """Something is absent; not said where a faulty part was cut out, for that may have been it."""
        if not self.node.damaged:
            self.wrong(what, mend)

    def warn(self, what: str, mend: str) -> None:
        self.faults.add(self.node.place, what, mend, warning=True)
