"""The words that may stand beside a value of one measure or one arc: the catalogue's own, and those of the trade in mappings/words.yaml."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal

from careplan_bridge.measures.landmarks import LANDMARK, LIMB, Landmarks, UnitOf
from careplan_bridge.measures.qualifiers import Claim
from careplan_bridge.measures.tokens import Token, folded, tokens
from careplan_bridge.model.measure import Catalogue, Measure, Word
from careplan_bridge.model.reading import Caveat

SIDE, MOVEMENT = "side", "movement"
_WHAT = "measure"


@dataclass(frozen=True, slots=True)
class Sense:
    """What a phrase says: which measures it may name, a claim, a limb, how the test was done, the order of an arc, or a value."""

    names: frozenset[str] | None = None
    claim: Claim | None = None
    caveat: Caveat | None = None
    first: str | None = None
    level: str | None = None
    number: Decimal | None = None
    limb: str | None = None

    @property
    def kind(self) -> str:
        """Labels of one kind take each other's place."""
        return self.claim.name if self.claim else LIMB if self.limb else "order" if self.first else _WHAT

    @property
    def is_value(self) -> bool:
        return self.level is not None or self.number is not None


class Lexicon:
    """The phrases for one set of measures; a longer phrase goes before a shorter one."""

    def __init__(self, catalogue: Catalogue, measures: Sequence[Measure]) -> None:
        self._senses: dict[tuple[str, ...], Sense] = {}
        for phrase, sense in _senses(catalogue, measures):
            self._senses.setdefault(folded(phrase), sense)
        self._longest = max(map(len, self._senses))
        levels = all(_has(measure, LANDMARK) for measure in measures)
        self._landmarks = Landmarks(catalogue.landmarks) if levels else None
        self.moves = all(_has(measure, MOVEMENT) for measure in measures)

    def at(self, tokens: Sequence[Token], place: int) -> tuple[Sense, int] | None:
        """The longest phrase that begins at this token, with the number of its tokens."""
        for length in range(min(self._longest, len(tokens) - place), 0, -1):
            sense = self._senses.get(tuple(token.folded for token in tokens[place : place + length]))
            if sense is not None:
                return sense, length
        return None

    def level(
        self, tokens: Sequence[Token], place: int, unit_of: UnitOf, number: Callable[[str], Decimal]
    ) -> tuple[list[Sense], int] | None:
        """The level on a limb that begins at this token, where these measures are taken at one. Raises Refused."""
        found = self._landmarks.at(tokens, place, unit_of, number) if self._landmarks else None
        if found is None:
            return None
        limb = [Sense(limb=found.limb)] if found.limb else []
        return [Sense(claim=Claim(LANDMARK, found.says, strict=True)), *limb], found.after


class Ear:
    """Qualifiers named in words around a value: in the text of a code or of a method, among words that mean nothing here."""

    def __init__(self, catalogue: Catalogue) -> None:
        self._claims: dict[tuple[str, ...], Claim] = {folded(said): claim for said, claim in _heard(catalogue)}
        self._longest = max(map(len, self._claims), default=0)

    def claims(self, said: str) -> Iterator[Claim]:
        """Every claim in the words, the longest phrase first where two begin at one word."""
        words = [token.folded for token in tokens(said)]
        place = 0
        while place < len(words):
            length = next(
                (size for size in range(self._longest, 0, -1) if tuple(words[place : place + size]) in self._claims), 0
            )
            if length:
                yield self._claims[tuple(words[place : place + length])]
            place += length or 1


def _heard(catalogue: Catalogue) -> Iterator[tuple[str, Claim]]:
    """Movements and positions by the catalogue's names, and what mappings/words.yaml adds to them and to the context of pain."""
    for measure in catalogue.measures.values():
        for qualifier in measure.qualifiers:
            if qualifier.name in (MOVEMENT, "position"):
                yield from ((value, Claim(qualifier.name, value)) for value in qualifier.values)
    for word in catalogue.words:
        if word.qualifier in (MOVEMENT, "context"):
            yield from ((said, Claim(word.qualifier, word.value or "")) for said in word.say)


def modified(word: str) -> Caveat:
    """The caveat of a word that says the test was done differently: `used arms` gives used-arms."""
    return Caveat(word.replace(" ", "-"), f"done differently: {word}", weakens=True)


def _senses(catalogue: Catalogue, measures: Sequence[Measure]) -> Iterator[tuple[str, Sense]]:
    """What is said first goes first: the measure's own words before those of the trade."""
    for measure in measures:
        yield from ((word, Sense(caveat=modified(word))) for word in measure.modified_words)
        for qualifier in measure.qualifiers:
            yield from ((value, Sense(claim=Claim(qualifier.name, value, True))) for value in qualifier.values)  # noqa: FBT003
    here = {measure.id for measure in measures}
    for word in catalogue.words:
        if not (word.level or word.limb or word.number is not None) or here & set(word.measures):
            yield from ((said, _sense(word, said)) for said in word.say)
    yield from _names(catalogue)


def _sense(word: Word, said: str) -> Sense:
    names = frozenset(word.measures) or None
    if word.side is not None:
        return Sense(claim=Claim(SIDE, word.side))
    if word.qualifier is not None:
        return Sense(claim=Claim(word.qualifier, word.value or "", strict=True))
    if word.number is not None:
        caveat = Caveat("qualitative", f"no number was given: {said}", weakens=True)
        return Sense(names, caveat=caveat, number=word.number)
    return Sense(limb=word.limb) if word.limb else Sense(names, first=word.first, level=word.level)


def _names(catalogue: Catalogue) -> Iterator[tuple[str, Sense]]:
    """Terms, and joints, which may be any measure's of that joint."""
    for measure in catalogue.measures.values():
        yield measure.term.partition("(")[0], Sense(frozenset({measure.id}))
        yield measure.id.replace("_", " "), Sense(frozenset({measure.id}))
        if measure.joint is not None:
            yield measure.joint, Sense(_of_joint(catalogue.measures.values(), measure.joint))


def _has(measure: Measure, qualifier: str) -> bool:
    return any(one.name == qualifier for one in measure.qualifiers)


def _of_joint(measures: Iterable[Measure], joint: str) -> frozenset[str]:
    return frozenset(measure.id for measure in measures if measure.joint == joint)
