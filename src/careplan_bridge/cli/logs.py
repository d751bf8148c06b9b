"""The log: one line of JSON an event, for whoever looks after the runs. Off unless asked for.

A line holds the keys named here and nothing else. Records that name no event of ours are left out, so that nothing free-worded and
nothing of a library gets in: no name, no identifier of a person, no address, no body, no token (I6).
"""

import logging
import sys
from collections.abc import Generator
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from pathlib import Path
from uuid import uuid4

from careplan_bridge import bridge
from careplan_bridge.cli import clock

STDERR = "-"
KEYS = ("at", "level", "event", "run", "command", "plan", "what", "status", "request", "exit_code")
_LOG = logging.getLogger("careplan_bridge")
_run: ContextVar[str] = ContextVar("run")


@contextmanager
def one_run() -> Generator[None]:
    """One run of a command: it has an id of its own, and its log ends with it."""
    _run.set(str(uuid4()))
    before, level = list(_LOG.handlers), _LOG.level
    try:
        yield
    finally:
        for handler in [handler for handler in _LOG.handlers if handler not in before]:
            _LOG.removeHandler(handler)
            handler.close()
        _LOG.setLevel(level)


def run_id() -> str:
    """The id of this run, as its log lines and its results carry it."""
    return _run.get()


def begin(to: str, command: str, *, verbose: bool) -> None:
    """From here on events go to this file, added at its end, or to stderr. Raises WrongUse where it cannot be written."""
    _LOG.addHandler(_Lines(to, command))
    _LOG.setLevel(logging.DEBUG if verbose else logging.INFO)
    note("began")


def note(event: str, **facts: object) -> None:
    """Log an event with facts whose names are among KEYS."""
    _LOG.info(event, extra={"event": event, **facts})


class _Lines(logging.Handler):
    def __init__(self, to: str, command: str) -> None:
        super().__init__()
        self._command = command
        self._file = bridge.LineFile(None if to == STDERR else Path(to), sys.stderr, adding=True)
        self._file.__enter__()

    def emit(self, record: logging.LogRecord) -> None:
        if not hasattr(record, "event"):
            return
        given = {key: getattr(record, key) for key in KEYS if hasattr(record, key)}
        given.setdefault("plan", bridge.plan_at_hand())
        own = {"at": clock.now(), "level": record.levelname.lower(), "run": run_id(), "command": self._command}
        line = {**own, **given}
        try:
            self._file.add({key: line[key] for key in KEYS if line.get(key) is not None})
        except OSError:  # a full disk stops no work; what matters stands in the ledger
            self.setLevel(logging.CRITICAL)

    def close(self) -> None:
        with suppress(OSError):  # what did not fit is tried once more
            self._file.__exit__(None, None, None)
        super().close()
