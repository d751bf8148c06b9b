"""A copy of a ledger, as it is at one moment, while another run may be writing to it."""

import sqlite3
from pathlib import Path

from careplan_bridge.errors import WrongUse
from careplan_bridge.ledger.troubles import in_sentences


def back_up(db: sqlite3.Connection, to: Path) -> None:
    """Copy to a new file, readable by its owner alone; it has its name only once it is whole.

    Raises WrongUse where there is such a file already, RunAgain where there is no room.
    """
    if to.exists():
        raise WrongUse(f"{to} is there already; a backup never takes another's place: name a new file")
    partial = to.with_name(f".{to.name}.partial")
    try:
        _copy(db, partial)
        partial.rename(to)
    except OSError as error:
        raise WrongUse(f"{to} can't be written ({error.strerror}); choose another place") from None
    finally:
        partial.unlink(missing_ok=True)


def _copy(db: sqlite3.Connection, partial: Path) -> None:
    partial.unlink(missing_ok=True)
    partial.touch(mode=0o600)
    with in_sentences(partial):
        copy = sqlite3.connect(partial, isolation_level=None)
        try:
            db.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")  # one file, without a log beside it
            copy.execute("UPDATE lock SET owner = '', host = '', pid = 0, since = ''")
        finally:
            copy.close()
