"""What SQLite says of a ledger's file, as what the person at the keyboard should do about it."""

import sqlite3
from collections.abc import Generator
from contextlib import contextmanager
from pathlib import Path

from careplan_bridge.errors import BridgeError, OurFault, RunAgain, WrongUse

_PRIMARY = 0xFF  # extended result codes keep the primary one in their lowest byte
_SAYS: dict[int, tuple[type[BridgeError], str]] = {
    sqlite3.SQLITE_FULL: (RunAgain, "has no room left on its disk ({}); make room, then the same command goes on"),
    sqlite3.SQLITE_IOERR: (RunAgain, "could not be read or written ({}); once its disk answers, the same command goes on"),
    sqlite3.SQLITE_BUSY: (RunAgain, "is in use by a program that is not ours ({}); the same command goes on when that ends"),
    sqlite3.SQLITE_LOCKED: (RunAgain, "is in use by a program that is not ours ({}); the same command goes on when that ends"),
    sqlite3.SQLITE_READONLY: (WrongUse, "may only be read ({}); give this account the right to write the file and its folder"),
    sqlite3.SQLITE_CANTOPEN: (WrongUse, "can't be opened ({}); give this account the right to write the file and its folder"),
    sqlite3.SQLITE_PERM: (WrongUse, "can't be opened ({}); give this account the right to write the file and its folder"),
    sqlite3.SQLITE_NOTADB: (WrongUse, "can't be opened as a ledger ({}); name another file"),
    sqlite3.SQLITE_CORRUPT: (WrongUse, "is damaged ({}); put a copy that `ledger backup` made in its place"),
    sqlite3.SQLITE_CONSTRAINT: (OurFault, "refused an entry that contradicts it ({})"),
}  # fmt: skip
_OTHER = (RunAgain, "could not be used ({}); once that is mended, the same command goes on")


@contextmanager
def in_sentences(ledger: Path) -> Generator[None]:
    """SQLite's errors as ours: RunAgain where nothing but time or room is missing, WrongUse where rights or the file are wrong."""
    try:
        yield
    except sqlite3.DatabaseError as error:
        kind, says = _SAYS.get(getattr(error, "sqlite_errorcode", 0) & _PRIMARY, _OTHER)
        raise kind(f"the ledger {ledger} {says.format(error)}") from error
