"""Records as hypothesis draws them: readings and unusable entries of a few measures, close to every bound that matters."""

from collections.abc import Sequence
from decimal import Decimal

from hypothesis import strategies as st
from msgspec.structs import replace

from careplan_bridge.model.criterion import (
    AllOf,
    Alternative,
    AnyOf,
    AtLeastOf,
    Change,
    Condition,
    FindingIs,
    FirstDoneOf,
    OtherSide,
    Reference,
    TimeSince,
    WithinBounds,
)
from careplan_bridge.model.measure import Measure
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.reading import Caveat, Reading, Unusable
from careplan_bridge.model.value import Amount, Moment, Value
from tests.criteria.build import (
    CALF,
    DEFICIT,
    EFFUSION,
    FLEXION,
    FORCE,
    HYPEREXTENSION,
    a_plan,
    at_least,
    at_most,
    between,
    criterion,
    found,
    grade,
    moment,
    of,
    reading,
    restriction,
    unusable,
)

Entry = Reading | Unusable
SUPINE = {"movement": "active", "position": "supine"}
NUMERIC = (FLEXION, DEFICIT, HYPEREXTENSION, FORCE)
PAINFUL = Caveat("painful", "the test hurt", weakens=True)

FLEXES = WithinBounds(measured=of(FLEXION), bounds=at_least(3))
FLEXES_LYING = WithinBounds(measured=of(FLEXION, SUPINE), bounds=between(2, 4))
STRAIGHT = WithinBounds(measured=of(DEFICIT), bounds=at_most(1))
CALM_TWICE = WithinBounds(measured=of(EFFUSION), bounds=at_most("1+"), visits_in_a_row=2)
INDEX = OtherSide(measured=of(FORCE), index=at_least(75))
REFERRED = OtherSide(
    measured=of(FORCE), index=at_least(75), reference=Reference(value=Decimal(4), order="ref", by="s1")
)
APART = OtherSide(measured=of(DEFICIT), difference=at_most(2))
GAINED = Change(measured=of(FLEXION), bounds=at_least(2))
KEPT = Change(measured=of(FLEXION), bounds=at_least(-1), since="best", best="highest")
RISEN = Change(measured=of(DEFICIT), bounds=at_most(1), since="best", best="lowest")
NO_LAG = FindingIs(finding="no-lag", text="Straight-leg raise without lag")
FIRST = FirstDoneOf(alternatives=(Alternative(condition=INDEX, not_before=5), Alternative(condition=FLEXES)))

SIMPLE: tuple[Condition, ...] = (
    FLEXES,
    FLEXES_LYING,
    STRAIGHT,
    CALM_TWICE,
    INDEX,
    REFERRED,
    APART,
    GAINED,
    KEPT,
    RISEN,
    NO_LAG,
)
COMPOUND: tuple[Condition, ...] = (
    FIRST,
    AllOf(conditions=(FLEXES, STRAIGHT)),
    AnyOf(conditions=(FLEXES, NO_LAG, CALM_TWICE)),
    AtLeastOf(count=2, conditions=(FLEXES, STRAIGHT, INDEX)),
)
EVERY = (*SIMPLE, *COMPOUND, TimeSince(at_least=9))


def the_plan(conditions: Sequence[Condition] = EVERY, *, no_older_than: int = 5) -> Plan:
    """All conditions, two restrictions, one red flag; values and days are small, so that everything meets everything."""
    criteria = [
        criterion(one, name=f"c{place}", no_older_than=no_older_than, expected_by=8, call_surgeon_by=11)
        for place, one in enumerate(conditions)
    ]
    limits = [
        restriction(at_most(4), before_day=8),
        restriction(at_least(1), measured=of(DEFICIT), before_day=None, name="bend"),
    ]
    return a_plan(*criteria, restrictions=limits, red_flags=[CALF], earliest=9)


@st.composite
def moments(draw: st.DrawFn) -> Moment:
    """Of the days around surgery up to day 12; some span hours, some days."""
    day, hour = draw(st.integers(-1, 11)), draw(st.sampled_from([9, 10]))
    start = moment(day, hour)
    return Moment(start, draw(st.sampled_from([start, start, start, moment(day, 12), moment(day + 2, 9)])))


@st.composite
def amounts(draw: st.DrawFn, unit: str) -> Amount:
    low, high = sorted((draw(st.integers(0, 6)), draw(st.integers(0, 6))))
    if draw(st.booleans()) or low == high:
        return Amount(Decimal(low), Decimal(low), unit)
    return Amount(Decimal(low), Decimal(high), unit, draw(st.booleans()), draw(st.booleans()))


def values(measure: Measure) -> st.SearchStrategy[Value]:
    if measure.unit is not None:
        return amounts(measure.unit)
    places = st.tuples(st.integers(0, 4), st.integers(0, 4)).map(sorted)
    return places.map(lambda ends: grade(measure.levels[ends[0]], measure.levels[ends[1]]))


@st.composite
def readings(draw: st.DrawFn) -> Reading:
    if draw(st.integers(0, 4)) == 0:
        level = draw(st.sampled_from(["present", "absent", "not-asked"]))
        return found(draw(st.sampled_from(["no-lag", "calf"])), level, draw(moments()))
    measure = draw(st.sampled_from([*NUMERIC, EFFUSION, FLEXION]))
    one = reading(
        measure, draw(values(measure)), draw(moments()), side=draw(st.sampled_from(["left", "left", "right"]))
    )
    if measure is FLEXION and draw(st.booleans()):
        one = replace(one, qualifiers=SUPINE)
    return replace(one, caveats=(PAINFUL,)) if draw(st.integers(0, 9)) == 0 else one


@st.composite
def unusables(draw: st.DrawFn) -> Unusable:
    measure = draw(st.sampled_from([*NUMERIC, EFFUSION]))
    return unusable(
        measure,
        draw(st.none() | moments()),
        value=draw(st.none() | values(measure)),
        side=draw(st.sampled_from([None, "left", "right"])),
        void=draw(st.integers(0, 3)) == 0,
    )


def records(most: int = 8) -> st.SearchStrategy[list[Entry]]:
    return st.lists(readings() | readings() | readings() | unusables(), max_size=most)
