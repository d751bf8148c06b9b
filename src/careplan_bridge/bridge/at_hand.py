"""Which plan the work at hand is about, for the log. A plan's id is made of other ids; it names nobody."""

from collections.abc import Generator
from contextlib import contextmanager
from contextvars import ContextVar

_plan: ContextVar[str | None] = ContextVar("plan at hand", default=None)


@contextmanager
def concerning(plan_id: str) -> Generator[None]:
    """What is done inside is about this plan."""
    before = _plan.set(plan_id)
    try:
        yield
    finally:
        _plan.reset(before)


def plan_at_hand() -> str | None:
    return _plan.get()
