"""The shortest way from a number to a reading, for shapes in which nothing but the number is open.

Whatever is not plain for certain (an exponent, many digits, a value outside the plausible range) is left to the general way,
which finds the words for it.
"""

from dataclasses import dataclass
from decimal import Decimal

from careplan_bridge.measures.context import Settled
from careplan_bridge.measures.numbers import LEVEL, NumberRule
from careplan_bridge.measures.units import factor, times
from careplan_bridge.model.measure import Range
from careplan_bridge.model.reading import Caveat, Reading, Recorded, Source
from careplan_bridge.model.value import Amount, Moment

_LONGEST = 12  # characters; more digits than any instrument shows
_ANY = Decimal("Infinity")  # where no plausible range is proposed
_DIGITS = frozenset("-0123456789.")


@dataclass(slots=True)
class Recipe:
    """What every reading of one shape has in common."""

    measure: str
    side: str | None
    qualifiers: dict[str, str]
    caveats: tuple[Caveat, ...]
    unit: str
    recorded_unit: str | None
    factor: Decimal | None
    low: Decimal
    high: Decimal

    def reading(self, number: str, source: Source, at: Moment, around: dict[str, str]) -> Reading | None:
        """The reading of this number, or None if it is not plain."""
        if len(number) > _LONGEST or not _DIGITS.issuperset(number):
            return None
        written = Decimal(number)
        value = written if self.factor is None else times(written, self.factor)
        if not self.low <= value <= self.high:
            return None
        return Reading(
            source=source,
            measure=self.measure,
            side=self.side,
            qualifiers=self.qualifiers,
            value=Amount(value, value, self.unit),
            recorded=Recorded(written, None, self.recorded_unit),
            at=at,
            circumstances=around,
            caveats=self.caveats,
        )


def recipe(rule: NumberRule, unit: str | None, settled: Settled, within: Range | None) -> Recipe | None:
    """The recipe of a shape whose context is settled, None where more than the number has to be looked at."""
    by = factor(rule.unit_from, rule.unit)
    if settled.refused is not None or rule.comparator is not None or rule.unit == LEVEL or by is None:
        return None
    return Recipe(
        settled.measure.id,
        settled.side,
        settled.qualifiers,
        settled.caveats,
        rule.unit,
        unit,
        None if by == 1 else by,
        within.low if within else -_ANY,
        within.high if within else _ANY,
    )
