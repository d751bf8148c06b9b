"""Many entries together: the newest version of each, every entry once however many feeds carry it, panels over their members."""

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime

from msgspec import Struct
from msgspec.structs import replace

from careplan_bridge.measures.lexicon import SIDE
from careplan_bridge.measures.moments import ANYWHERE, written
from careplan_bridge.measures.outcome import Result
from careplan_bridge.measures.parts import as_unusable
from careplan_bridge.measures.qualifiers import Claim
from careplan_bridge.measures.refusal import Refused
from careplan_bridge.model.reading import Reading, Readings, Unusable

Identifier = tuple[str, str]  # system, value
About = frozenset[tuple[str | None, str | None, tuple[tuple[str, str], ...]]]


class Read(Struct, frozen=True, gc=False):
    """What one entry gave. `key` names the resource, or its content where it has no id.

    `members` are the keys of the entries that a panel lists, `claims` what the panel's code fixes for them. `line` is kept only
    where a panel that comes later may settle what is missing.
    """

    key: str
    results: tuple[Result, ...]
    version: str | None = None
    updated: str | None = None
    identifiers: tuple[Identifier, ...] = ()
    members: tuple[str, ...] = ()
    claims: tuple[Claim, ...] = ()
    line: bytes | None = None


_MISSING = ("qualifier-missing", "side-missing")

ReadAgain = Callable[[bytes, Sequence[Claim]], tuple[Result, ...]]


class Collection:
    """Entries as they come, in any order; the order changes nothing. `sometimes_sided` are the measures whose side is optional."""

    def __init__(self, read_again: ReadAgain, sometimes_sided: frozenset[str]) -> None:
        self._read_again = read_again
        self._sometimes_sided = sometimes_sided
        self._reads: dict[str, list[Read]] = {}

    def add(self, read: Read) -> None:
        """Takes one entry; a copy that says the same as one already there is dropped at once."""
        others = self._reads.setdefault(read.key, [])
        if not any(_same(read, other) for other in others):
            others.append(read)

    def readings(self) -> Readings:
        """All of it, the latest state of each entry, in a stable order."""
        current = [read for versions in self._reads.values() for read in _newest(versions)]
        placed = self._placed(current)
        results = [result for read in _once(placed) for result in read.results]
        return Readings(
            readings=tuple(sorted((one for one in results if isinstance(one, Reading)), key=_reading_order)),
            unusable=tuple(sorted((one for one in results if isinstance(one, Unusable)), key=_unusable_order)),
        )

    def _placed(self, reads: list[Read]) -> list[Read]:
        """Members with what the panels that list them fix for them."""
        claims: defaultdict[str, set[Claim]] = defaultdict(set)
        for read in reads:
            for key in read.members:
                claims[key].update(read.claims)
        return [self._inside(read, sorted(claims[read.key])) if claims.get(read.key) else read for read in reads]

    def _inside(self, read: Read, claims: Sequence[Claim]) -> Read:
        """The entry read again with the panel's claims where they may settle something; else only a clash counts."""
        if read.line is not None:
            return _with(read, self._read_again(read.line, claims))
        return _with(read, [_checked(self._sided(one, claims), claims) for one in read.results])

    def _sided(self, result: Result, claims: Sequence[Claim]) -> Result:
        """The reading with the panel's side, where its measure may have one and it names none."""
        sides = [claim.value for claim in claims if claim.name == SIDE]
        if not sides or not isinstance(result, Reading) or result.side or result.measure not in self._sometimes_sided:
            return result
        return replace(result, side=sides[0])


def may_be_settled(results: Iterable[Result]) -> bool:
    """Could a panel that lists this entry say what is missing?"""
    return any(isinstance(result, Unusable) and result.reason in _MISSING for result in results)


def _checked(result: Result, claims: Sequence[Claim]) -> Result:
    if not isinstance(result, Reading):
        return result
    if any(claim.name == SIDE and (result.side or claim.value) != claim.value for claim in claims):
        return as_unusable(Refused("side-clash"), replace(result, side=None))
    clashing = [claim.name for claim in claims if result.qualifiers.get(claim.name, claim.value) != claim.value]
    return as_unusable(Refused("qualifier-clash", names=", ".join(clashing)), result) if clashing else result


def _with(read: Read, results: Iterable[Result]) -> Read:
    return Read(
        read.key, tuple(results), read.version, read.updated, read.identifiers, read.members, read.claims, read.line
    )


def _same(read: Read, other: Read) -> bool:
    return read.version == other.version and read.updated == other.updated and read.results == other.results


def _newest(versions: list[Read]) -> list[Read]:
    """The newest state; where nothing tells which it is, all of them as unusable."""
    if len(versions) == 1:
        return versions
    newest = [one for one in versions if not any(_newer(other, one) for other in versions)]
    first = min(newest or versions, key=_content)
    if newest and all(one.results == first.results for one in newest):
        return [first]
    return [_refused(one, "versions-undecided") for one in newest or versions]


def _newer(one: Read, other: Read) -> bool:
    numbers = _version(one), _version(other)
    if numbers[0] is not None and numbers[1] is not None and numbers[0] != numbers[1]:
        return numbers[0] > numbers[1]
    times = _updated(one), _updated(other)
    return times[0] is not None and times[1] is not None and times[0] > times[1]


def _version(read: Read) -> int | None:
    return int(read.version) if read.version and read.version.isascii() and read.version.isdigit() else None


def _updated(read: Read) -> datetime | None:
    at = written(read.updated, ANYWHERE) if read.updated else None
    return None if at is None else at.low


def _refused(read: Read, reason: str) -> Read:
    """Every reading of the entry taken back for this reason; what was unusable before stays what it was."""
    refused = Refused(reason)
    return _with(read, [as_unusable(refused, one) if isinstance(one, Reading) else one for one in read.results])


def _once(reads: list[Read]) -> list[Read]:
    """Entries that share a business identifier and are about the same thing are one entry that came through two feeds.

    The same identifier on entries about different things is some order's or report's number, and joins nothing.
    """
    groups = _groups(reads)
    result = [read for read in reads if read.key not in groups]
    for group in {id(group): group for group in groups.values()}.values():
        result += _one_of(sorted(group, key=lambda read: read.key))
    return result


def _groups(reads: list[Read]) -> dict[str, list[Read]]:
    """The entries that stand for one, by the key of each; entries that stand alone are left out."""
    shared: defaultdict[tuple[Identifier, About], list[Read]] = defaultdict(list)
    for read in reads:
        about = _about(read)
        for identifier in read.identifiers if about else ():
            shared[identifier, about].append(read)
    groups: dict[str, list[Read]] = {}
    for copies in shared.values():
        if len(copies) > 1:
            _join(groups, copies)
    return groups


def _join(groups: dict[str, list[Read]], copies: list[Read]) -> None:
    joined = {one.key: one for read in copies for one in groups.get(read.key, [read])}
    group = list(joined.values())
    for key in joined:
        groups[key] = group


def _one_of(copies: list[Read]) -> list[Read]:
    if len({_said(read) for read in copies}) == 1:
        return copies[:1]
    return [_refused(read, "copies-disagree") for read in copies]


def _about(read: Read) -> About:
    """What the entry is about: measures with side and qualifiers, as far as they are known."""
    hints = (one if isinstance(one, Reading) else one.hint for one in read.results)
    return frozenset(
        (one.measure, one.side, tuple(sorted(one.qualifiers.items()))) for one in hints if one.measure is not None
    )


def _said(read: Read) -> str:
    """What the entry says, its source left aside."""
    return repr(sorted(repr((_values(one), type(one).__name__)) for one in read.results))


def _values(result: Result) -> object:
    if isinstance(result, Reading):
        return result.measure, result.value, result.at, sorted(caveat.code for caveat in result.caveats)
    return result.hint.measure, result.reason


def _content(read: Read) -> tuple[str, str, str]:
    return read.version or "", read.updated or "", repr(read.results)


def _reading_order(reading: Reading) -> tuple[object, ...]:
    source = reading.source
    return (
        reading.at.low,
        reading.at.high,
        reading.measure,
        reading.side or "",
        sorted(reading.qualifiers.items()),
        source.resource,
        source.part or "",
        source.version or "",
        source.digest,
    )


def _unusable_order(entry: Unusable) -> tuple[str, ...]:
    source = entry.source
    # A server that gives two contents under one version leaves nothing else to tell them apart by.
    named = source.resource, source.part or "", source.version or "", source.digest, entry.reason, entry.says
    return (*named, repr(entry.hint))
