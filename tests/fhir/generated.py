"""Plans and conditions made up at random, within what the types allow: for laws that hold for all of them.

`random` is a seeded `random.Random`, or Hypothesis's, which then finds the smallest plan that breaks a law.
"""

from collections.abc import Callable
from datetime import date, timedelta
from decimal import Decimal
from random import Random
from typing import TypeVar

from careplan_bridge.model.case import Confirmed, Order, OwnGoal, Person, PrecautionOrder, Surgery
from careplan_bridge.model.criterion import (
    AllOf,
    Alternative,
    AnyOf,
    AtLeastOf,
    Change,
    Condition,
    Criterion,
    FindingIs,
    FirstDoneOf,
    Measured,
    OtherSide,
    Precaution,
    RedFlag,
    Restriction,
    TimeSince,
    WithinBounds,
)
from careplan_bridge.model.measure import Measure
from careplan_bridge.model.plan import Plan, ProtocolRef
from careplan_bridge.model.protocol import DISCHARGE, Exercise, Stage, Window
from careplan_bridge.model.value import Bounds, Threshold
from careplan_bridge.planning.facts import facts
from careplan_bridge.planning.identity import plan_id
from tests.fhir import demo

URL = "https://example.org/alder-quay/protocol/generated"
# Texts that break what does not escape or does not count characters.
TEXTS = (
    "Straight leg",
    "Bend & stretch <b>slowly</b>",
    'Says "no pain" \\ none',
    "Größe Ω 膝 🦵",
    "one\ttab and\nline",
    "' OR 1=1; --",
    "x" * 300,
    "]]>",
    "%s {0} ${HOME}",
)
T = TypeVar("T")


def a_plan(random: Random, number: int = 0) -> Plan:
    """A plan with two to four stages, the discharge last, and orders that add precautions."""
    stages = _stages(random)
    people = (_person("t1", "therapist", random), _person("s1", "surgeon", random))
    orders = _orders(random, stages)
    clinic = demo.clinic()
    case = f"made-{number}"
    surgery = _surgery(random)
    return Plan(
        id=plan_id(clinic, case, "generated"),
        revision=random.randint(1, 9),
        case=case,
        patient=f"Patient/made-{number}",
        protocol=ProtocolRef(
            id="generated", version="1.0.0", url=URL, title=_text(random), notice=_text(random), digest="0" * 64
        ),
        clinic=clinic,
        side=surgery.side,
        surgery=surgery.id,
        surgeries=(surgery,),
        people=people,
        orders=orders,
        orders_confirmed=Confirmed(by="s1", on=surgery.on),
        own_goals=tuple(OwnGoal(id=f"own-{n}", text=_text(random)) for n in range(random.randint(0, 2))),
        signatures={"advance": ("therapist",), "discharge": ("therapist", "surgeon")},
        red_flags=tuple(
            RedFlag(id=f"flag-{n}", ask=_text(random), act=_text(random)) for n in range(random.randint(0, 2))
        ),
        stages=_with_orders(stages, orders),
        facts=facts(stages, demo.catalogue()),
        catalogue_digest="",
        conventions_digest="",
        case_digest="",
    )


def a_condition(random: Random, depth: int = 2) -> Condition:
    kinds: list[Callable[[Random], Condition]] = [_within, _other_side, _change, _time, _finding, _first_done_of]
    if depth:
        kinds.append(lambda r: _combined(r, depth - 1))
    return random.choice(kinds)(random)


def _combined(random: Random, depth: int) -> Condition:
    parts = tuple(a_condition(random, depth) for _ in range(random.randint(1, 3)))
    return random.choice(
        (AllOf(conditions=parts), AnyOf(conditions=parts), AtLeastOf(count=len(parts), conditions=parts))
    )


def _within(random: Random) -> WithinBounds:
    measure = _measure(random)
    return WithinBounds(
        measured=_measured(random, measure),
        bounds=_bounds(random, measure),
        visits_in_a_row=random.choice((1, 1, 2, 3)),
    )


def _other_side(random: Random) -> OtherSide:
    measure = _measure(random, lambda one: one.side == "required" and one.unit is not None)
    measured = _measured(random, measure)
    if random.random() < 0.5:
        return OtherSide(measured=measured, index=_numbers(random))
    return OtherSide(measured=measured, difference=_numbers(random))


def _change(random: Random) -> Change:
    measure = _measure(random, lambda one: one.unit is not None)
    return Change(measured=_measured(random, measure), bounds=_numbers(random))


def _time(random: Random) -> TimeSince:
    return TimeSince(at_least=random.randint(1, 300), surgery=random.choice((None, "graft")))


def _finding(random: Random) -> FindingIs:
    return FindingIs(
        finding=f"sign-{random.randint(1, 9)}", text=_text(random), expected=random.choice(("present", "absent"))
    )


def _first_done_of(random: Random) -> FirstDoneOf:
    kinds: tuple[Callable[[Random], WithinBounds | OtherSide | Change], ...] = (_within, _other_side, _change)
    rungs = (
        Alternative(
            condition=random.choice(kinds)(random),
            not_before=random.choice((None, random.randint(1, 99))),
            needs=random.choice((None, "dynamometer")),
        )
        for _ in range(random.randint(1, 3))
    )
    return FirstDoneOf(alternatives=tuple(rungs))


def _any(_measure: Measure) -> bool:
    return True


def _measure(random: Random, fits: Callable[[Measure], bool] = _any) -> Measure:
    return random.choice([one for one in demo.catalogue().measures.values() if fits(one)])


def _measured(random: Random, measure: Measure) -> Measured:
    side = None if measure.side in ("none", "both") else random.choice(("involved", "uninvolved"))
    qualifiers = {
        one.name: f"{random.randint(1, 300)} {one.unit}"
        if one.unit
        else random.choice(one.values or ("supine", "any other"))
        for one in measure.qualifiers
        if one.required or random.random() < 0.3
    }
    return Measured(measure=measure.id, side=side, qualifiers=qualifiers)


def _bounds(random: Random, measure: Measure) -> Bounds:
    return _numbers(random) if measure.unit else _levels(random, measure)


def _numbers(random: Random) -> Bounds:
    low, high = sorted(Decimal(random.randint(-999, 999)).scaleb(-random.randint(0, 2)) for _ in range(2))
    ends = random.choice(((low, None), (None, high), (low, high)))
    both = [None if end is None else Threshold(number=end) for end in ends]
    return Bounds(low=both[0], high=both[1], low_included=random.random() < 0.8, high_included=random.random() < 0.8)


def _levels(random: Random, measure: Measure) -> Bounds:
    level = Threshold(level=random.choice(measure.levels))
    low, high = random.choice(((level, None), (None, level), (level, level)))
    return Bounds(low=low, high=high)


def _stages(random: Random) -> tuple[Stage, ...]:
    count = random.randint(1, 3)
    ids = [*(f"stage-{n}" for n in range(count)), DISCHARGE]
    return tuple(_stage(random, name, place * 28) for place, name in enumerate(ids))


def _stage(random: Random, name: str, from_day: int) -> Stage:
    ids = [f"criterion-{n}" for n in range(random.randint(1, 4))]
    return Stage(
        id=name,
        title=_text(random),
        window=Window(
            from_day=from_day,
            before_day=random.choice((None, from_day + 28)),
            earliest_advance=random.choice((None, from_day + 14)),
        ),
        goals=tuple(_text(random) for _ in range(random.randint(0, 2))),
        restrictions=tuple(_restriction(random, f"{name}-limit-{n}", from_day) for n in range(random.randint(0, 2))),
        precautions=tuple(_precaution(random, f"{name}-care-{n}", ids, from_day) for n in range(random.randint(0, 2))),
        exercises=tuple(_exercise(random, f"exercise-{n}") for n in range(random.randint(0, 2))),
        criteria=tuple(_criterion(random, one) for one in ids),
    )


def _criterion(random: Random, name: str) -> Criterion:
    return Criterion(
        id=name,
        says=_text(random),
        condition=a_condition(random),
        no_older_than=random.choice((None, 10, 28)),
        expected_by=random.choice((None, 21)),
        call_surgeon_by=random.choice((None, 28)),
        accepts=random.choice(((), ("used-arms", "painful"))),
    )


def _restriction(random: Random, name: str, from_day: int) -> Restriction:
    measure = _measure(random)
    return Restriction(
        id=name,
        says=_text(random),
        measured=_measured(random, measure),
        bounds=_bounds(random, measure),
        from_day=from_day,
        before_day=random.choice((None, from_day + random.randint(1, 60))),
    )


def _precaution(random: Random, name: str, criteria: list[str], from_day: int) -> Precaution:
    lifted = tuple(sorted(random.sample(criteria, random.randint(0, len(criteria)))))
    return Precaution(
        id=name, text=_text(random), lifted_by=lifted, before_day=random.choice((None, max(1, from_day - 7)))
    )


def _exercise(random: Random, name: str) -> Exercise:
    return Exercise(
        id=name, name=_text(random), dose=random.choice((None, "3 x 10")), needs=random.choice((None, "ergometer"))
    )


def _orders(random: Random, stages: tuple[Stage, ...]) -> tuple[Order, ...]:
    return tuple(
        Order(
            id=f"order-{n}",
            by="s1",
            on=date(2026, 3, 2),
            says=_text(random),
            change=PrecautionOrder(stage=random.choice(stages).id, precaution=f"ordered-{n}", text=_text(random)),
        )
        for n in range(random.randint(0, 2))
    )


def _with_orders(stages: tuple[Stage, ...], orders: tuple[Order, ...]) -> tuple[Stage, ...]:
    from careplan_bridge.planning.orders import ordered  # noqa: PLC0415

    return ordered(stages, orders, demo.catalogue().measures, date(2026, 3, 2))


def _surgery(random: Random) -> Surgery:
    return Surgery(
        id="graft",
        procedure=_text(random),
        on=date(2026, 1, 1) + timedelta(days=random.randint(0, 700)),
        side=random.choice(("left", "right")),
        performed=random.choice(((), (_text(random),))),
    )


def _person(name: str, role: str, random: Random) -> Person:
    return Person(id=name, name=_text(random), role=role, resource=random.choice((None, f"Practitioner/{name}")))


def _text(random: Random) -> str:
    return random.choice(TEXTS)
