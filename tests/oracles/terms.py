"""What both exports share: the terms of a criterion, and thresholds as numbers."""

from dataclasses import dataclass, replace
from decimal import Decimal

from careplan_bridge.model.criterion import FindingIs, Measured
from careplan_bridge.model.measure import FINDING, Measure
from careplan_bridge.model.signed_scale import twin
from careplan_bridge.model.value import Threshold
from tests.oracles.clinics import Setting


@dataclass(frozen=True, slots=True)
class Terms:
    """What a criterion asks of every reading, under the id of the part."""

    id: str
    no_older_than: int | None
    accepts: bool = False
    not_before: int | None = None

    def part(self, place: int, *, not_before: int | None = None) -> "Terms":
        return replace(self, id=f"{self.id}.{place}", not_before=not_before)

    def oldest(self, setting: Setting) -> int | None:
        """The first day that is recent enough."""
        return None if self.no_older_than is None else setting.today - self.no_older_than


@dataclass(frozen=True, slots=True)
class End:
    """One measure of a row. `turned`: its values change their sign; `past_neutral`: only those that certainly are beyond zero count."""

    measured: Measured
    turned: bool = False
    past_neutral: bool = False


def ends(wanted: Measured, setting: Setting, *, signed: bool = False) -> tuple[End, ...]:
    """What a statement about a measure rests on: the measure itself and, where it has one, the other end of its scale.

    `signed`: both are one scale on which a deficit is below zero. Else the other end counts where it lies past neutral, as less than
    nothing of the measure.
    """
    facts = setting.plan.facts
    other = twin(wanted.measure, facts)
    if other is None:
        return (End(wanted),)
    beside = Measured(measure=other, side=wanted.side, qualifiers=wanted.qualifiers)
    if signed:
        return tuple(End(one, turned=facts[one.measure].better == "down") for one in (wanted, beside))
    return End(wanted), End(beside, turned=True, past_neutral=True)


def about(condition: FindingIs) -> Measured:
    return Measured(measure=FINDING, side=None, qualifiers={"finding": condition.finding})


def threshold(bound: Threshold, levels: tuple[str, ...]) -> Decimal:
    """The number, with a decimal point; a level is its place on the scale."""
    number = Decimal(levels.index(bound.level)) if bound.level is not None else bound.number
    assert number is not None
    return number if "." in str(number) else Decimal(f"{number}.0")


def plausible(measure: Measure) -> tuple[Decimal, Decimal]:
    """The widest plausible range: what is beyond it for one movement only is not generated."""
    low, high = min(one.low for one in measure.plausible), max(one.high for one in measure.plausible)
    return Decimal(f"{low}"), Decimal(f"{high}")
