"""No URL in a log (I6): httpx logs every one at INFO, httpcore at DEBUG.

They stay silent while we send, and only then: the loggers may also serve the program around us.
"""

import logging
from collections.abc import Generator
from contextlib import contextmanager
from contextvars import ContextVar

_sending: ContextVar[bool] = ContextVar("_sending", default=False)
_LOGGERS = ("httpx", "httpcore.connection", "httpcore.http11", "httpcore.http2", "httpcore.proxy", "httpcore.socks")


@contextmanager
def urls_unlogged() -> Generator[None]:
    """Nothing below us logs while this is open."""
    before = _sending.set(True)
    try:
        yield
    finally:
        _sending.reset(before)


for _name in _LOGGERS:
    logging.getLogger(_name).addFilter(lambda _: not _sending.get())
