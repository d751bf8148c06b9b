"""What a server was shown to do or not to do, apart from what it declares: proven by a probe, or observed in a call."""

from typing import Literal

from careplan_bridge.ledger.store import Store

Source = Literal["proven", "observed"]

TABLE = """CREATE TABLE facts (
  base TEXT NOT NULL, fact TEXT NOT NULL, source TEXT NOT NULL CHECK (source IN ('proven', 'observed')),
  holds INTEGER NOT NULL, at TEXT NOT NULL, PRIMARY KEY (base, fact, source));
"""


class Facts(Store):
    def note_fact(self, base: str, fact: str, source: Source, *, holds: bool) -> None:
        """Keep a fact about the server at `base`; the last word of each source counts."""
        self._write(
            "INSERT INTO facts VALUES (?, ?, ?, ?, ?) ON CONFLICT (base, fact, source) "
            "DO UPDATE SET holds = excluded.holds, at = excluded.at",
            base, fact, source, holds, self._moment(),
        )  # fmt: skip

    def facts(self, base: str, source: Source) -> dict[str, bool]:
        if self._row("SELECT 1 FROM sqlite_master WHERE name = 'facts'") is None:
            return {}  # opened for reading, and last written before there was this table
        rows = self._rows("SELECT fact, holds FROM facts WHERE base = ? AND source = ?", base, source)
        return {row["fact"]: bool(row["holds"]) for row in rows}

    def forget_facts(self, base: str) -> None:
        """Before a new probe: a server may have been mended since."""
        self._write("DELETE FROM facts WHERE base = ?", base)
