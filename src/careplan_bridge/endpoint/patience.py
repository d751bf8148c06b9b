"""How long to wait before asking again: what the server asks for, else longer each time, with a limit to all of it."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime

from careplan_bridge.model.endpoint import Limits

FIRST_WAIT = 0.5
LONGEST_WAIT = 20.0


@dataclass(slots=True)
class Patience:
    """The tries and waits left for one request. `wait` takes seconds; `jitter` gives numbers from 0 to 1."""

    limits: Limits
    wait: Callable[[float], None]
    jitter: Callable[[], float]
    tries: int = 1
    waited: float = 0.0

    def again(self, asked: float | None) -> bool:
        """Wait and say True; or say False at once where tries or waiting time are used up.

        `asked` is what the server wants, in seconds. More than the rest of the budget ends the patience instead of
        being cut short: asking earlier than told makes a throttled server throttle harder.
        """
        seconds = self._backoff() if asked is None else asked
        if self.tries >= self.limits.attempts or self.waited + seconds > self.limits.waiting:
            return False
        self.tries += 1
        self.waited += seconds
        self.wait(seconds)
        return True

    def _backoff(self) -> float:
        """Doubling, with a random half, so that clients that failed together do not come back together."""
        return min(FIRST_WAIT * 2 ** (self.tries - 1), LONGEST_WAIT) * (0.5 + self.jitter() / 2)


def retry_after(header: str | None, now: datetime) -> float | None:
    """Seconds to wait by a Retry-After header, in either of its forms; None where it says nothing usable."""
    text = (header or "").strip()
    if re.fullmatch(r"\d{1,9}", text):
        return float(text)
    moment = _http_date(text)
    return max(0.0, (moment - now).total_seconds()) if moment else None


def _http_date(text: str) -> datetime | None:
    try:
        moment = parsedate_to_datetime(text)
    except (ValueError, TypeError, IndexError):
        return None
    # RFC 9110: an HTTP date is in UTC, also where a sender forgot to say so.
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)
