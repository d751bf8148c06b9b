"""A server that is down is not asked again for every plan: after some failures in a row it is left alone for a while.

Only the absence of an answer counts (no connection, no end, 429, 502, 503, 504), and only once a request has used up its tries.
After the rest one request is let through; if it fails too, the rest begins anew.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from careplan_bridge.endpoint.outcomes import Trouble, Unreachable

FAILURES = 3
REST = timedelta(seconds=60)
_ABSENT: frozenset[int | Trouble] = frozenset({Trouble.NEVER_SENT, Trouble.NO_ANSWER, 429, 502, 503, 504})


@dataclass(slots=True)
class Breaker:
    """One per endpoint, kept by its client."""

    clock: Callable[[], datetime]
    failures: int = 0
    resting_until: datetime | None = None

    def refuse_while_resting(self, what: str) -> None:
        """Raise Unreachable without asking, while the server is left alone."""
        if self.resting_until is not None and self.clock() < self.resting_until:
            raise Unreachable(
                f"{what}: not asked, as the server gave no answer {self.failures} times in a row; try later"
            )

    def note(self, result: int | Trouble) -> None:
        """What a request ended with, its tries included."""
        self.failures = self.failures + 1 if result in _ABSENT else 0
        self.resting_until = self.clock() + REST if self.failures >= FAILURES else None
