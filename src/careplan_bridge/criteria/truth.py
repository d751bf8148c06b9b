"""Three-valued truth: a statement is met, not met, or cannot be told.

`all_of`, `any_of` and `at_least_of` combine verdicts by Kleene's rules. They know nothing of what the parts have in common, so
they may say less than the combined statement deserves; they never say more.
"""

from collections.abc import Iterable

from careplan_bridge.model.check import Verdict

MET, NOT_MET, CANNOT_TELL = Verdict.MET, Verdict.NOT_MET, Verdict.CANNOT_TELL
_OPPOSITE = {MET: NOT_MET, NOT_MET: MET, CANNOT_TELL: CANNOT_TELL}


def truth(holds: bool) -> Verdict:  # noqa: FBT001 - the one argument is the fact itself
    return MET if holds else NOT_MET


def opposite(verdict: Verdict) -> Verdict:
    return _OPPOSITE[verdict]


def all_of(verdicts: Iterable[Verdict]) -> Verdict:
    """The first that is not met decides; what stands behind it is not looked at."""
    found = MET
    for verdict in verdicts:
        if verdict is NOT_MET:
            return NOT_MET
        if verdict is CANNOT_TELL:
            found = CANNOT_TELL
    return found


def any_of(verdicts: Iterable[Verdict]) -> Verdict:
    return opposite(all_of(map(opposite, verdicts)))


def at_least_of(count: int, verdicts: Iterable[Verdict]) -> Verdict:
    """Do at least `count` hold?"""
    seen = list(verdicts)
    if seen.count(MET) >= count:
        return MET
    return NOT_MET if len(seen) - seen.count(NOT_MET) < count else CANNOT_TELL


def unanimous(verdicts: Iterable[Verdict]) -> Verdict:
    """What every possible case says; cannot be told where they disagree, or where there is none."""
    seen = set(verdicts)
    return seen.pop() if len(seen) == 1 else CANNOT_TELL
