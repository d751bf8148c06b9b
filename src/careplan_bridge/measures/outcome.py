"""A value, its context and its moment together: a reading if nothing is missing, else an unusable entry that keeps what is known."""

from collections.abc import Mapping

from msgspec import Struct

from careplan_bridge.measures.context import Context, Settled
from careplan_bridge.measures.numbers import check_plausible
from careplan_bridge.measures.pieces import Piece
from careplan_bridge.measures.refusal import Refused
from careplan_bridge.measures.shapes import Shape
from careplan_bridge.measures.values import Values
from careplan_bridge.model.conventions import Conventions
from careplan_bridge.model.measure import FINDING, FINDING_LEVELS, Catalogue, Measure, Qualifier, Range
from careplan_bridge.model.reading import Hint, Reading, Source, Unusable
from careplan_bridge.model.value import Amount, Moment

Result = Reading | Unusable

_FINDING = Measure(
    id=FINDING,
    term="finding",
    unit=None,
    bare_unit=None,
    side="none",
    levels=FINDING_LEVELS,
    qualifiers=tuple(Qualifier(name=name, required=True, open=True) for name in ("protocol", "finding")),
)


class Facts(Struct, frozen=True):
    """What every value of one entry shares: where it came from, when it was measured, about whom, and what surrounds it."""

    source: Source
    at: Moment | None
    at_refused: Refused | None
    patient_refused: Refused | None
    around: dict[str, str]

    def part(self, name: str | None) -> Source:
        """The source of one value of the entry."""
        parts = [part for part in (self.source.part, name) if part]
        whole = self.source
        return Source(whole.resource, whole.version, whole.digest, "/".join(parts)) if parts else whole


class Outcomes:
    def __init__(self, catalogue: Catalogue, conventions: Conventions, values: Values) -> None:
        self._measures: Mapping[str, Measure] = {**catalogue.measures, FINDING: _FINDING}
        self._site = conventions
        self._values = values

    def of_shape(self, shape: Shape, number: str | None, facts: Facts) -> tuple[Result, ...]:
        """What an entry of this shape says, with its own number where the shape reads numbers."""
        if facts.patient_refused is not None and facts.patient_refused.reason.code == "other-patient":
            return (unusable(facts.patient_refused, facts.source, Hint()),)
        context = shape.context
        if context is None or context.meaning is None:
            refused = shape.refused or Refused("code-missing")
            return (unusable(refused, facts.source, Hint(at=facts.at)),)
        if shape.rule is None or number is None:
            return tuple(self._of_piece(shape, context, piece, facts) for piece in shape.pieces)
        pieces = self._values.number_pieces(context.meaning, shape.rule, shape.unit, number)
        return tuple([self._of_piece(shape, context, piece, facts) for piece in pieces])

    def _of_piece(self, shape: Shape, context: Context, piece: Piece, facts: Facts) -> Result:
        settled, within = shape.settled(context, piece, self._measures[piece.measure], self._site)
        fault = (
            shape.refused
            or facts.patient_refused
            or _words_fault(piece)
            or settled.refused
            or _value_fault(piece, within)
            or facts.at_refused
        )
        source = facts.part(piece.part)
        if fault is not None or piece.value is None or facts.at is None:
            hint = Hint(
                measure=piece.measure, side=settled.side, qualifiers=settled.qualifiers, value=piece.value, at=facts.at
            )
            return unusable(fault or Refused("value-missing"), source, hint)
        return _reading(piece, settled, source, facts.at, facts.around)


def unusable(refused: Refused, source: Source, hint: Hint) -> Unusable:
    """The entry with the reason, and with what was known of it."""
    return Unusable(
        source=source,
        reason=refused.reason.code,
        says=refused.says,
        settle=refused.settle,
        void=refused.reason.void,
        hint=hint,
    )


def _reading(piece: Piece, settled: Settled, source: Source, at: Moment, around: dict[str, str]) -> Reading:
    assert piece.value is not None  # noqa: S101 - the caller has looked
    return Reading(
        source=source,
        measure=piece.measure,
        side=settled.side,
        qualifiers=settled.qualifiers,
        value=piece.value,
        recorded=piece.recorded,
        at=at,
        circumstances=around,
        caveats=settled.caveats + piece.caveats,
    )


def _words_fault(piece: Piece) -> Refused | None:
    """What words could not be read comes before what is missing: they may have said it."""
    return piece.refused if piece.unread else None


def _value_fault(piece: Piece, within: Range | None) -> Refused | None:
    if piece.refused is not None:
        return piece.refused
    if isinstance(piece.value, Amount):
        try:
            check_plausible(piece.value, within)
        except Refused as reason:
            return reason
    return None
