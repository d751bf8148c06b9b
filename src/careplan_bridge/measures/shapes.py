"""What decides how an entry is read, apart from its number and its moment.

A feed holds millions of entries and a few hundred shapes. The slow, careful work is done once for each shape: what the codes
mean, which side, which qualifiers, which unit. What is left for every entry is its number and its moment.
"""

from dataclasses import dataclass, field

from careplan_bridge.measures.context import Context, Settled, settle
from careplan_bridge.measures.numbers import NumberRule, plausible_range
from careplan_bridge.measures.pieces import Piece
from careplan_bridge.measures.recipe import Recipe, recipe
from careplan_bridge.measures.refusal import Refused
from careplan_bridge.model.conventions import Conventions
from careplan_bridge.model.measure import Measure, Range


@dataclass(slots=True, eq=False)
class Shape:
    """`refused`: why no entry of this shape can be used. `rule` reads its numbers; where there is none, `pieces` are its values.

    `lasting` is False where the meaning hangs on the entry's own day, performer or instrument: such a shape is not kept.
    """

    refused: Refused | None = None
    context: Context | None = None
    rule: NumberRule | None = None
    unit: str | None = None
    pieces: tuple[Piece, ...] = ()
    lasting: bool = True
    recipe: Recipe | None = None
    _settled: dict[str, tuple[Settled, Range | None]] = field(default_factory=dict[str, tuple[Settled, "Range | None"]])

    def settled(
        self, context: Context, piece: Piece, measure: Measure, site: Conventions
    ) -> tuple[Settled, Range | None]:
        """The context as the piece's measure sees it, and its plausible range."""
        if piece.claims:
            return _settle(context, piece, measure, site)
        found = self._settled.get(measure.id)
        if found is None:
            found = self._settled[measure.id] = _settle(context, piece, measure, site)
        return found

    def prepare(self, measure: Measure, site: Conventions) -> None:
        """Makes the recipe, where nothing but the number is open."""
        plain = (
            self.context is not None
            and self.context.meaning is not None
            and self.context.meaning.reads_as != "raw-extension"
        )
        if self.context is None or self.rule is None or self.refused is not None or not plain:
            return
        settled, within = self.settled(self.context, Piece(measure.id, None), measure, site)
        self.recipe = recipe(self.rule, self.unit, settled, within)


def _settle(context: Context, piece: Piece, measure: Measure, site: Conventions) -> tuple[Settled, Range | None]:
    settled = settle(context, measure, piece.claims)
    return settled, plausible_range(measure, settled.qualifiers, site)
