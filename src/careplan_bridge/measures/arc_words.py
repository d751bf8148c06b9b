"""An arc in words: both ends in one run of numbers, or each end named by its own words, for each side and movement."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import replace

from msgspec.structs import replace as with_facts

from careplan_bridge.measures.arcs import arc_measures, arc_pieces
from careplan_bridge.measures.extension import signed_extension
from careplan_bridge.measures.lexicon import Sense
from careplan_bridge.measures.pieces import Piece
from careplan_bridge.measures.qualifiers import Claim
from careplan_bridge.measures.refusal import Refused
from careplan_bridge.measures.sentence import Clause
from careplan_bridge.measures.words import Said
from careplan_bridge.model.conventions import Conventions
from careplan_bridge.model.measure import Arc, Catalogue
from careplan_bridge.model.reading import Recorded
from careplan_bridge.model.value import Amount


class ArcWords:
    """The clauses of one text, with their numbers already in the unit of the arc's measures."""

    def __init__(self, arc: Arc, catalogue: Catalogue, site: Conventions, recorded: Recorded) -> None:
        self._arc, self._catalogue, self._site, self._recorded = arc, catalogue, site, recorded
        self._measures = frozenset(arc_measures(arc))

    def pieces(self, clauses: Iterable[Clause]) -> list[Piece]:
        """Raises Refused where a clause names a measure that is not of the arc, or two say different things."""
        groups: defaultdict[tuple[Claim, ...], list[Clause]] = defaultdict(list)
        for clause in clauses:
            groups[_place(clause)].append(clause)
        return [piece for group in groups.values() for piece in self._group(group)]

    def _group(self, group: list[Clause]) -> list[Piece]:
        """The clauses of one side and movement. A bare extension may be confirmed by the start of the arc beside it."""
        starts = [clause for clause in group if len(_said(clause).numbers) > 1]
        ends = [clause for clause in group if len(_said(clause).numbers) == 1]
        confirmed = bool(starts) and bool(ends) and all(self._confirms(starts[0], end) for end in ends)
        if starts and ends and not confirmed:
            raise Refused("words-disagree", at=str(ends[0].item.at + 1))
        found = [piece for clause in starts for piece in self._run(clause, confirmed)]
        return found if confirmed else found + [self._end(clause) for clause in ends]

    def _run(self, clause: Clause, confirmed: bool) -> list[Piece]:  # noqa: FBT001
        """Two or three numbers; beside the name of one end, two of them are that end's arc from the other one."""
        self._check_run(clause)
        site = with_facts(self._site, arc="two-number") if confirmed else self._site
        order = clause.labels.get("order")
        pieces = arc_pieces(
            self._arc, self._catalogue, site, _said(clause), self._recorded, self._first(order) if order else None
        )
        return [labelled(piece, clause) for piece in pieces]

    def _check_run(self, clause: Clause) -> None:
        """`ext 0-5` is no arc: two numbers beside the name of one end belong to an arc only at the end they run to."""
        names, runs_to = self._names(clause), self._arc.ends[1].past_neutral
        two = len(_said(clause).numbers) == 2  # noqa: PLR2004
        if names != self._measures and not (two and runs_to in names):
            raise Refused("words-clash", at=str(clause.item.at + 1))

    def _first(self, order: Sense) -> int:
        for place, end in enumerate(self._arc.ends):
            if end.name == order.first:
                return place
        raise Refused("arc-undeclared")

    def _names(self, clause: Clause) -> frozenset[str]:
        """The measures of the arc that the clause may be about."""
        label = clause.labels.get("measure")
        named = self._measures if label is None or label.names is None else self._measures & label.names
        if not named:
            raise Refused("words-clash", at=str(clause.item.at + 1))
        return named

    def _confirms(self, start: Clause, end: Clause) -> bool:
        """`ext -10, flex 10-140`: the start of the arc says what the sign means, unless the site says the opposite."""
        said, numbers = _said(end), _said(start).numbers
        extension = self._extension(end)
        if not extension or said.comparator or len(numbers) != 2 or said.numbers[0] != numbers[0]:  # noqa: PLR2004
            return False
        declared = self._site.extension_sign
        missing = "-" if declared == "deficit-negative" else ""
        return declared is None or (said.sign or "") in (missing, missing or "+")

    def _extension(self, clause: Clause) -> frozenset[str]:
        names = self._names(clause)
        signed = frozenset(name for name in names if self._catalogue.measures[name].signed == "extension")
        return names if signed == names else frozenset()

    def _end(self, clause: Clause) -> Piece:
        names, said = self._names(clause), _said(clause)
        if names == self._measures or (len(names) > 1 and not self._extension(clause)):
            raise Refused("arc-one-number", arc=self._arc.term)
        amount = amount_of(said, self._catalogue.measures[min(names)].unit or "")
        if self._extension(clause) and (said.sign or len(names) > 1 or extension_is_open(self._catalogue, clause)):
            piece = signed_extension(self._catalogue, self._site, min(names), amount, self._recorded)
        else:
            piece = Piece(min(names), amount, self._recorded)
        return labelled(replace(piece, part=piece.measure), clause)


def extension_is_open(catalogue: Catalogue, clause: Clause) -> bool:
    """Does the label leave open which way? `ext 5` does, `lacks 5` and `hyperextension 5` do not."""
    label = clause.labels.get("measure")
    if label is None or label.names is None:
        return True
    betters = {
        catalogue.measures[name].better for name in label.names if catalogue.measures[name].signed == "extension"
    }
    others = {name for name in label.names if catalogue.measures[name].signed != "extension"}
    return len(betters) > 1 or bool(others)


def amount_of(said: Said, unit: str) -> Amount:
    """One number with its sign and comparator, already in the unit."""
    number = -said.numbers[0] if said.sign == "-" else said.numbers[0]
    below, included = (said.comparator or "").startswith("<"), (said.comparator or "").endswith("=")
    if said.comparator is None:
        return Amount(number, number, unit)
    return Amount(None, number, unit, False, included) if below else Amount(number, None, unit, included, False)  # noqa: FBT003


def labelled(piece: Piece, clause: Clause) -> Piece:
    """The piece with what the clause's words claim, and with how they say the test was done."""
    claims = tuple(sense.claim for sense in clause.labels.values() if sense.claim is not None)
    caveats = (*piece.caveats, *clause.caveats)
    part = "/".join((piece.part or piece.measure, *(claim.value for claim in claims))) if claims else piece.part
    return replace(piece, claims=piece.claims + claims, caveats=caveats, part=part)


def _said(clause: Clause) -> Said:
    assert clause.item.said is not None  # noqa: S101 - an arc has no levels
    return clause.item.said


def _place(clause: Clause) -> tuple[Claim, ...]:
    return tuple(sorted(sense.claim for sense in clause.labels.values() if sense.claim is not None))
