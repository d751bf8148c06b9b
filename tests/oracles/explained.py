"""Disagreements that stand: kinds with their reasons and how often each is met, read from explained.toml.

A new disagreement fails, and so does one that is met more or less often than the file says: what was explained once must not
hide what changes later.
"""

import tomllib
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

T = TypeVar("T")
FILE = Path(__file__).with_name("explained.toml")


@dataclass(frozen=True, slots=True)
class Kind:
    """`of` says what the disagreements have in common, by names that the test knows; `times` how many there are."""

    name: str
    because: str
    of: dict[str, Any]
    times: int


def kinds(oracle: str) -> list[Kind]:
    """The kinds of one oracle; one without a reason is refused."""
    found = [Kind(**entry) for entry in tomllib.loads(FILE.read_text(encoding="utf-8")).get(oracle, [])]
    unexplained = [kind.name for kind in found if not kind.because.strip()]
    if unexplained:
        raise ValueError(f"{FILE.name}: these kinds have no `because`: {unexplained}")
    return found


def objections(disagreements: Iterable[T], known: Iterable[Kind], covers: Callable[[Kind, T], bool]) -> list[str]:
    """What the file does not say: disagreements of no kind, and kinds that are met another number of times."""
    met: Counter[str] = Counter()
    found: list[str] = []
    known = list(known)
    for one in disagreements:
        kind = next((kind for kind in known if covers(kind, one)), None)
        if kind is None:
            found.append(f"not explained: {one}")
        else:
            met[kind.name] += 1
    counts = [f"{kind.name}: met {met[kind.name]} times, {kind.times} explained" for kind in known]
    return found + [said for kind, said in zip(known, counts, strict=True) if met[kind.name] != kind.times]
