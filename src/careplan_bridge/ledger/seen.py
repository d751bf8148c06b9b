"""What each resource held when we last wrote or read it: the ground of the three-way comparison before a write."""

from careplan_bridge.ledger.records import Seen
from careplan_bridge.ledger.store import Store, moment


class SeenResources(Store):
    def saw(self, base: str, reference: str, version: str, managed: bytes) -> None:
        """Remember a resource (`Goal/ID`) on the server at `base`: version and managed elements as canonical JSON."""
        self._write(
            "INSERT INTO seen VALUES (?, ?, ?, ?, ?) ON CONFLICT (base, reference) "
            "DO UPDATE SET version = excluded.version, managed = excluded.managed, at = excluded.at",
            base, reference, version, managed, self._moment(),
        )  # fmt: skip

    def seen(self, base: str, reference: str) -> Seen | None:
        row = self._row(
            "SELECT reference, version, managed, at FROM seen WHERE base = ? AND reference = ?", base, reference
        )
        if row is None:
            return None
        return Seen(reference=row["reference"], version=row["version"], managed=row["managed"], at=moment(row["at"]))
