"""The ledger: one SQLite file, one writing run at a time.

    with Ledger(path, now=clock, owner="careplan-bridge sync") as ledger:
        ledger.add_plan(plan)

Everything that is on disk when a method returns stays there through a crash (write-ahead log, synchronous=FULL).
"""

import sqlite3
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from careplan_bridge.errors import WrongUse
from careplan_bridge.ledger.backup import back_up
from careplan_bridge.ledger.export import export_lines
from careplan_bridge.ledger.facts import Facts
from careplan_bridge.ledger.lock import WriterLock
from careplan_bridge.ledger.purges import Purges
from careplan_bridge.ledger.schema import prepare, refuse_other
from careplan_bridge.ledger.seen import SeenResources
from careplan_bridge.ledger.store import moment_text
from careplan_bridge.ledger.troubles import in_sentences
from careplan_bridge.ledger.verify import verify
from careplan_bridge.model.ledger import ExportHeader, ExportLine, Verification


class Ledger(Purges, SeenResources, Facts):
    """Opened by `with`; `owner` is named to whoever finds it locked, `now` is the clock that dates its entries.

    With `writing=False` nothing can be written and no lock is taken: reading goes on while another run writes. Only a ledger that
    is there is opened so, or with `new=False`.
    Entering raises RunAgain while another run writes, WrongUse for a file that is no ledger of this program or of a newer one.
    """

    def __init__(
        self, path: str | Path, *, now: Callable[[], datetime], owner: str, writing: bool = True, new: bool = True
    ) -> None:
        self._path = Path(path)
        self._may_be_new = writing and new
        self._now = now
        self._owner = owner
        self._lock = WriterLock(self._path) if writing else None

    def __enter__(self) -> Self:
        self._make_private()
        with in_sentences(self._path):
            self._open()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._lock is not None:
            self._lock.release(self._db)
        self._db.close()

    def verify(self, expected_head: str | None = None) -> Verification:
        """Whether the file is whole and as this program left it; `expected_head` is one that was noted earlier (`PLACE:DIGEST`)."""
        with self.at_one_moment():
            return verify(self._db, expected_head)

    def back_up(self, to: Path) -> None:
        """A copy as of now in a new file. Raises WrongUse where it is there already."""
        back_up(self._db, to)

    def export(self, plan: str | None = None) -> Iterator[ExportHeader | ExportLine]:
        """The lines of an export, as of now; of one plan, or of all with the chain."""
        with self.at_one_moment():
            yield from export_lines(self._db, self._now(), plan)

    def _make_private(self) -> None:
        if not self._may_be_new and not self._path.exists():
            raise WrongUse(f"there is no ledger at {self._path}; `push` makes one, --ledger names another")
        try:
            self._path.touch(
                mode=0o600
            )  # before SQLite makes it with the mode of the umask; its -wal and -shm take this one
        except OSError as error:
            raise WrongUse(f"the ledger {self._path} can't be made or written ({error.strerror})") from error

    def _open(self) -> None:
        self._db = sqlite3.connect(self._path, timeout=10, isolation_level=None)
        try:
            self._set_up()
        except BaseException:
            self._db.close()
            raise

    def _set_up(self) -> None:
        self._db.row_factory = sqlite3.Row
        self._db.execute("PRAGMA foreign_keys = ON")
        if self._lock is None:
            self._db.execute("PRAGMA query_only = ON")
            refuse_other(self._db, str(self._path))
            return
        self._db.execute("PRAGMA journal_mode = WAL")
        self._db.execute("PRAGMA synchronous = FULL")
        self._db.execute("PRAGMA secure_delete = ON")
        prepare(self._db, str(self._path), moment_text(self._now()))
        self._lock.take(self._db, owner=self._owner, since=self._now())
