"""The sandbox's clock: a server stamps what it stores with its own time."""

from collections.abc import Callable
from datetime import UTC, datetime
from typing import TypeAlias

Clock: TypeAlias = Callable[[], datetime]


def wall_clock() -> datetime:
    return datetime.now(UTC)  # noqa: TID251 - lastUpdated is the server's own moment
