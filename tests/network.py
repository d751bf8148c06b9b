"""Keeps the test process off every network but loopback.

An audit hook sees each connection and name look-up of this process, whichever library makes it; it cannot be taken
back, and it does not reach into child processes.
"""

import sys
from ipaddress import ip_address
from typing import Any, cast

LOOPBACK_NAMES = {"localhost", "ip6-localhost", ""}


class NetworkRefused(AssertionError):
    """A test reached for a machine other than this one."""


def allow_loopback_only() -> None:
    """From now on a connection or look-up beyond loopback raises NetworkRefused."""
    sys.addaudithook(_refuse_beyond_loopback)


def _refuse_beyond_loopback(event: str, arguments: tuple[Any, ...]) -> None:
    if event in {"socket.connect", "socket.sendto"}:
        _refuse_unless_local(arguments[1])
    elif event == "socket.getaddrinfo":
        _refuse_unless_local(arguments[:2])


def _refuse_unless_local(address: object) -> None:
    # A Unix socket's address is text or bytes; it never leaves the machine.
    host: object = cast("tuple[object, ...]", address)[0] if isinstance(address, tuple) else None
    if not _is_loopback(host):
        raise NetworkRefused(f"a test tried to reach {host}; only loopback is allowed")


def _is_loopback(host: object) -> bool:
    name = host.decode() if isinstance(host, bytes) else host
    if name is None or name in LOOPBACK_NAMES:
        return True
    try:
        return ip_address(str(name).partition("%")[0]).is_loopback
    except ValueError:
        return False
