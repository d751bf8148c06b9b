"""Which restrictions and precautions hold for what was performed."""

from collections.abc import Iterator
from difflib import get_close_matches
from typing import TypeVar

from msgspec.structs import replace

from careplan_bridge.model.case import Case
from careplan_bridge.model.criterion import Precaution, Restriction
from careplan_bridge.model.protocol import Protocol, Stage
from careplan_bridge.planning.people import counted_from

Conditional = TypeVar("Conditional", Restriction, Precaution)


def applicable(stages: tuple[Stage, ...], case: Case) -> tuple[Stage, ...]:
    """The stages without what depends on something that was not performed."""
    done = performed(case)
    return tuple(
        replace(stage, restrictions=_kept(stage.restrictions, done), precautions=_kept(stage.precautions, done))
        for stage in stages
    )


def performed(case: Case) -> frozenset[str]:
    """What was performed on this side, in the surgery that days count from or a later one; what came before is history."""
    first = counted_from(case)
    return frozenset(
        words(done)
        for surgery in case.surgeries
        if first and surgery.on >= first.on and surgery.side in (case.side, "both")
        for done in surgery.performed
    )


def near_misses(protocol: Protocol, case: Case) -> Iterator[str]:
    """Spellings that would silently drop a restriction: nearly, but not quite, what the protocol asks about."""
    asked = {words(part.when_performed) for part in _conditional(protocol) if part.when_performed}
    done_here = performed(case)
    for done in sorted(done_here - asked):
        for close in get_close_matches(done, asked - done_here, n=1, cutoff=0.75):
            yield (
                f"The case says {done!r} was performed; the protocol asks about {close!r}. "
                "If that is the same, write it in the protocol's words, else a restriction would be left out."
            )


def words(text: str) -> str:
    """Comparable: case and spaces do not matter."""
    return " ".join(text.casefold().split())


def _conditional(protocol: Protocol) -> Iterator[Restriction | Precaution]:
    for stage in protocol.stages:
        yield from (*stage.restrictions, *stage.precautions)


def _kept(parts: tuple[Conditional, ...], done: frozenset[str]) -> tuple[Conditional, ...]:
    return tuple(part for part in parts if part.when_performed is None or words(part.when_performed) in done)
