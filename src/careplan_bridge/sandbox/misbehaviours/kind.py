"""A kind of misbehaviour, declared in few words: which requests, how often, and what happens to them instead."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

from careplan_bridge.sandbox.exchange import Answer, Asked, Handler, Misbehaviour

About: TypeAlias = Callable[[Asked], bool]


@dataclass(frozen=True, slots=True)
class Kind:
    """`stands_for` says in a sentence what in the field it is. `make` gives a fresh one: many remember what they met."""

    name: str
    stands_for: str
    make: Callable[[], Misbehaviour]


def always(about: About, what: Misbehaviour) -> Callable[[], Misbehaviour]:
    return lambda: lambda asked, handler: what(asked, handler) if about(asked) else handler(asked)


def first(about: About, what: Misbehaviour, times: int = 1) -> Callable[[], Misbehaviour]:
    """For so many requests of that sort; the following ones are answered well."""
    return _counted(about, what, lambda met: met <= times)


def after(served: int, about: About, what: Misbehaviour) -> Callable[[], Misbehaviour]:
    """For good, once so many requests of that sort were answered well."""
    return _counted(about, what, lambda met: met > served)


def _counted(about: About, what: Misbehaviour, now: Callable[[int], bool]) -> Callable[[], Misbehaviour]:
    def make() -> Misbehaviour:
        met = 0

        def misbehave(asked: Asked, handler: Handler) -> Answer:
            nonlocal met
            if not about(asked):
                return handler(asked)
            met += 1
            return what(asked, handler) if now(met) else handler(asked)

        return misbehave

    return make
