"""A protocol fitted to a case: what is left out, what orders change, what does not fit."""

import re
from datetime import date
from decimal import Decimal
from uuid import NAMESPACE_URL, uuid5

import pytest
from msgspec.structs import replace

from careplan_bridge.errors import PlanRefused, WrongUse
from careplan_bridge.model import scale
from careplan_bridge.model.case import (
    Case,
    Change,
    Confirmed,
    Order,
    PrecautionOrder,
    ReferenceOrder,
    RestrictionOrder,
    Surgery,
    WindowOrder,
)
from careplan_bridge.model.conventions import Conventions
from careplan_bridge.model.criterion import Held, Measured, OtherSide, Precaution, Reference, WithinBounds
from careplan_bridge.model.digest import canonical
from careplan_bridge.model.protocol import Protocol, Window
from careplan_bridge.model.value import Bounds, Threshold
from careplan_bridge.planning.draft import draft
from careplan_bridge.planning.identity import plan_id
from tests.fhir import demo
from tests.planning.small import (
    CATALOGUE,
    CLINIC,
    SITE,
    a_case,
    a_criterion,
    a_protocol,
    a_stage,
    at_least,
    at_most,
    bends,
    drafted,
    limit,
)

REPAIR = "meniscus repair"
BEND = a_criterion(bends(80))
LIMITED = a_protocol(a_stage(BEND, restrictions=(limit(at_most(90)),)))
CONDITIONAL = a_protocol(
    a_stage(
        BEND,
        restrictions=(replace(limit(at_most(90)), when_performed=REPAIR), limit(at_most(120), name="always")),
        precautions=(
            Precaution(id="squat", text="No squats", when_performed=REPAIR),
            Precaution(id="run", text="No run"),
        ),
    )
)
LOAD = Measured(measure="weight_bearing_status", qualifiers={"basis": "observed"})


def _level(name: str) -> Bounds:
    return Bounds(high=Threshold(level=name))


@pytest.mark.parametrize("name", demo.CASES)
def test_the_demo_cases_make_plans_and_the_same_ones_each_time(name: str) -> None:
    plan = demo.plan(name)
    again = draft(demo.protocol(demo.PROTOCOL_OF[name]), demo.case(name), demo.catalogue(), demo.conventions())
    assert canonical(again) == canonical(plan)
    assert (plan.revision, plan.course.status, plan.current.id) == (1, "draft", plan.stages[0].id)


def test_a_plan_is_known_by_clinic_case_and_protocol_and_not_by_its_patient() -> None:
    plan = drafted(LIMITED)
    assert plan.id == str(uuid5(uuid5(NAMESPACE_URL, CLINIC.base), "quay-1/acl")) == plan_id(CLINIC, "quay-1", "acl")
    assert drafted(LIMITED, replace(a_case(), patient="Patient/other")).id == plan.id


def test_every_order_restriction_and_performed_part_of_the_demo_changes_its_plan() -> None:
    for name in demo.CASES:
        case, protocol = demo.case(name), demo.protocol(demo.PROTOCOL_OF[name])
        for order in case.orders:
            without = replace(case, orders=tuple(other for other in case.orders if other is not order))
            plan = draft(protocol, without, demo.catalogue(), demo.conventions())
            assert plan.stages != demo.plan(name).stages, f"order {order.id} of {name} changes nothing"


def test_what_was_not_performed_is_left_out() -> None:
    without, having = drafted(CONDITIONAL), drafted(CONDITIONAL, a_case(performed=("  Meniscus  repair ",)))
    assert [one.id for one in without.stages[0].restrictions] == ["always"]
    assert [one.id for one in without.stages[0].precautions] == ["run"]
    assert [one.id for one in having.stages[0].restrictions] == ["flexion", "always"]
    assert [one.id for one in having.stages[0].precautions] == ["squat", "run"]


def test_a_later_surgery_on_that_side_counts_and_an_earlier_one_is_history() -> None:
    case = a_case()
    for on, side, kept in (
        (date(2026, 4, 1), "left", True),
        (date(2020, 1, 1), "left", False),
        (date(2026, 4, 1), "right", False),
    ):
        other = Surgery(id="other", procedure="Arthroscopy", on=on, side=side, performed=(REPAIR,))
        plan = drafted(CONDITIONAL, replace(case, surgeries=(*case.surgeries, other)))
        assert ("flexion" in {one.id for one in plan.stages[0].restrictions}) == kept


def test_a_spelling_that_would_drop_a_restriction_is_refused() -> None:
    with pytest.raises(PlanRefused, match=r"'meniscal repair'.*'meniscus repair'"):
        drafted(CONDITIONAL, a_case(performed=("meniscal repair",)))
    assert drafted(CONDITIONAL, a_case(performed=("notchplasty",)))


def test_an_order_changes_bounds_and_days_and_the_sentence_with_them() -> None:
    plan = drafted(
        LIMITED,
        a_case(RestrictionOrder(restriction="flexion", unit="deg", bounds=at_most(60), from_day=7, before_day=14)),
    )
    (restriction,) = plan.stages[0].restrictions
    assert (restriction.bounds, restriction.from_day, restriction.before_day) == (at_most(60), 7, 14)
    assert restriction.says == "Keep knee flexion (passive, involved side) at most 60 deg from week 1 before week 2"


def test_what_an_order_leaves_open_stays() -> None:
    between = Bounds(low=at_least(10).low, high=at_most(90).high)
    protocol = a_protocol(a_stage(BEND, restrictions=(limit(between),)))
    (restriction,) = (
        drafted(protocol, a_case(RestrictionOrder(restriction="flexion", unit="deg", bounds=at_most(120))))
        .stages[0]
        .restrictions
    )
    assert (restriction.bounds, restriction.before_day) == (Bounds(low=between.low, high=at_most(120).high), 28)


@pytest.mark.parametrize("turned", [False, True])
def test_where_orders_conflict_the_strictest_stands(turned: bool) -> None:  # noqa: FBT001
    changes: list[Change] = [
        RestrictionOrder(restriction="flexion", unit="deg", bounds=at_most(80), before_day=42, from_day=3),
        RestrictionOrder(restriction="flexion", unit="deg", bounds=at_most(100), before_day=21, from_day=0),
        WindowOrder(stage="settle", earliest_advance=28, before_day=50),
        WindowOrder(stage="settle", earliest_advance=42, before_day=45),
    ]
    plan = drafted(LIMITED, a_case(*(reversed(changes) if turned else changes)))
    (restriction,) = plan.stages[0].restrictions
    assert (restriction.bounds, restriction.from_day, restriction.before_day) == (at_most(80), 0, 42)
    assert plan.stages[0].window == Window(from_day=0, before_day=50, earliest_advance=42)


def test_the_stricter_of_two_levels_stands() -> None:
    protocol = a_protocol(a_stage(BEND, restrictions=(limit(_level("WBAT"), name="load", measured=LOAD),)))
    case = a_case(*(RestrictionOrder(restriction="load", bounds=_level(name)) for name in ("PWB 50%", "PWB 30%")))
    assert drafted(protocol, case).stages[0].restrictions[0].bounds == _level("PWB 30%")


def test_a_window_that_began_where_the_last_one_ended_goes_on_doing_so() -> None:
    first = a_stage(BEND, window=Window(before_day=28, earliest_advance=14))
    second = a_stage(a_criterion(bends(100)), name="load", window=Window(from_day=28, before_day=70))
    third = a_stage(a_criterion(bends(120)), name="run", window=Window(from_day=77, before_day=90))
    plan = drafted(a_protocol(first, second, third), a_case(WindowOrder(stage="settle", before_day=42)))
    assert [stage.window.from_day for stage in plan.stages[:3]] == [0, 42, 77]


def test_an_ordered_precaution_is_added_to_its_stage() -> None:
    plan = drafted(
        LIMITED, a_case(PrecautionOrder(stage="settle", precaution="brace", text="Brace at night", before_day=28))
    )
    assert plan.stages[0].precautions == (Precaution(id="brace", text="Brace at night", before_day=28),)


def test_a_plan_carries_the_facts_of_every_measure_named_and_of_the_other_end_of_its_scale() -> None:
    deficit = Measured(measure="knee_extension_deficit", qualifiers={"movement": "passive"})
    stage = a_stage(a_criterion(WithinBounds(measured=deficit, bounds=at_most(0))), restrictions=(limit(at_most(90)),))
    plan = drafted(a_protocol(stage))
    assert list(plan.facts) == ["knee_extension_deficit", "knee_flexion", "knee_hyperextension"]
    assert plan.facts["knee_flexion"] == CATALOGUE.measures["knee_flexion"]


def test_digests_say_what_the_plan_was_made_from() -> None:
    plan = drafted(LIMITED)
    digests = (plan.protocol.digest, plan.catalogue_digest, plan.conventions_digest, plan.case_digest)
    assert digests == ("p", CATALOGUE.digest, "c", "k")


NOWHERE = replace(
    LIMITED, stages=(a_stage(a_criterion(WithinBounds(measured=Measured(measure="knee_glow"), bounds=at_most(1)))),)
)


@pytest.mark.parametrize(
    ("protocol", "case", "says"),
    [
        (LIMITED, replace(a_case(), people=a_case().people[:1]), "asks a surgeon to sign 'discharge'"),
        (LIMITED, replace(a_case(), people=(*a_case().people, a_case().people[0])), "names the person 't1' 2 times"),
        (LIMITED, replace(a_case(), orders_confirmed=Confirmed(by="x9", on=date(2026, 3, 3))), "confirmed by 'x9'"),
        (LIMITED, replace(a_case(), side="right"), "'graft' was on the left"),
        (LIMITED, replace(a_case(), surgery="other"), "does not list; its surgeries: graft"),
        (LIMITED, replace(a_case(), side="both"), "make one case a side"),
        (
            LIMITED,
            a_case(RestrictionOrder(restriction="flexing", before_day=7)),
            "'flexing', which the protocol lacks; it has: flexion",
        ),
        (CONDITIONAL, a_case(RestrictionOrder(restriction="flexion", before_day=7)), "does not say was performed"),
        (LIMITED, a_case(WindowOrder(stage="run", before_day=7)), "stage 'run'"),
        (LIMITED, a_case(PrecautionOrder(stage="run", precaution="x", text="x")), "stage 'run'"),
        (LIMITED, a_case(RestrictionOrder(restriction="flexion", before_day=0)), "no later than it begins"),
        (LIMITED, a_case(WindowOrder(stage="settle", before_day=0)), "no time"),
        (
            CONDITIONAL,
            a_case(PrecautionOrder(stage="settle", precaution="run", text="x")),
            "'run', which the plan has already",
        ),
        (
            LIMITED,
            a_case(
                *(
                    RestrictionOrder(restriction="flexion", unit="deg", bounds=one)
                    for one in (at_most(60), at_least(70))
                )
            ),
            "o1, o2 leave no allowed value",
        ),
        (NOWHERE, a_case(), "no measure knee_glow"),
    ],
)
def test_what_does_not_fit_is_refused_with_what_would_mend_it(protocol: Protocol, case: Case, says: str) -> None:
    with pytest.raises(PlanRefused, match=re.escape(says)):
        drafted(protocol, case)


def test_an_order_of_somebody_unknown_is_refused() -> None:
    case = a_case(WindowOrder(stage="settle", before_day=50))
    with pytest.raises(PlanRefused, match=r"'o1' is by 'x9'.*s1, t1"):
        drafted(LIMITED, replace(case, orders=(replace(case.orders[0], by="x9"),)))


def test_everything_that_does_not_fit_is_said_at_once() -> None:
    with pytest.raises(PlanRefused) as refused:
        drafted(LIMITED, replace(a_case(WindowOrder(stage="run")), people=(), side="right"))
    assert len(str(refused.value).splitlines()) >= 4


def test_orders_that_nobody_can_compare_are_refused() -> None:
    protocol = a_protocol(a_stage(BEND, restrictions=(limit(_level("FWB"), name="load", measured=LOAD),)))
    undecided = next(iter(CATALOGUE.measures["weight_bearing_status"].undecided), None)
    assert undecided, "no pair of levels is undecided: this test needs one"
    levels = (name.replace("n%", "50%") for name in undecided)
    case = a_case(*(RestrictionOrder(restriction="load", bounds=_level(name)) for name in levels))
    with pytest.raises(PlanRefused, match="nobody but the surgeon"):
        drafted(protocol, case)


def test_conventions_without_a_clinic_are_wrong_use() -> None:
    with pytest.raises(WrongUse, match=r"\[clinic\]"):
        draft(LIMITED, a_case(), CATALOGUE, Conventions())
    assert draft(LIMITED, a_case(), CATALOGUE, SITE).clinic == CLINIC


def _dated(name: str, day: int, bound: int, *replaces: str) -> Order:
    change = RestrictionOrder(restriction="flexion", unit="deg", bounds=at_most(bound))
    return Order(id=name, by="s1", on=date(2026, 3, 2 + day), says="So", change=change, replaces=replaces)


def test_a_restriction_keeps_what_held_before_an_order() -> None:
    plan = drafted(LIMITED, replace(a_case(), orders=(_dated("a", 5, 120),)))
    (restriction,) = plan.stages[0].restrictions
    assert restriction.bounds == at_most(120)
    assert restriction.before_orders == (Held(until=5, bounds=at_most(90), from_day=0, before_day=28),)


def test_an_order_of_the_day_of_surgery_held_from_the_first() -> None:
    plan = drafted(LIMITED, replace(a_case(), orders=(_dated("a", 0, 120),)))
    assert plan.stages[0].restrictions[0].before_orders == ()


def test_an_order_that_replaces_another_settles_the_conflict_from_its_day_on() -> None:
    strict, loose = _dated("a", 0, 60), _dated("b", 9, 120, "a")
    (restriction,) = drafted(LIMITED, replace(a_case(), orders=(strict, loose))).stages[0].restrictions
    assert (restriction.bounds, [held.bounds for held in restriction.before_orders]) == (at_most(120), [at_most(60)])


FORCE_INDEX = OtherSide(
    measured=Measured(measure="hhd_force", qualifiers={"muscle": "knee extensors"}),
    index=Bounds(low=Threshold(number=Decimal(75))),
)
COMPARED = a_protocol(a_stage(a_criterion(FORCE_INDEX)))


def _reference(value: str = "310", unit: str = "N", **qualifiers: str) -> ReferenceOrder:
    return ReferenceOrder(measure="hhd_force", qualifiers=qualifiers, value=Decimal(value), unit=unit)


def test_a_reference_order_stands_in_the_comparisons_it_fits() -> None:
    plan = drafted(COMPARED, a_case(_reference(muscle="knee extensors")))
    condition = plan.stages[0].criteria[0].condition
    assert isinstance(condition, OtherSide)
    assert condition.reference == Reference(value=Decimal(310), order="o1", by="s1")


@pytest.mark.parametrize(
    ("orders", "says"),
    [
        ((_reference(),), "must say muscle"),
        ((_reference(muscle="knee flexors"),), "no criterion"),
        ((_reference(unit="deg", muscle="knee extensors"),), "'deg'"),
        ((_reference(muscle="knee extensors", speed="60 deg/s"),), "speed"),
        ((_reference(muscle="knee extensors"), _reference("300", muscle="knee extensors")), "different references"),
        ((ReferenceOrder(measure="grip", qualifiers={}, value=Decimal(1), unit="N"),), "no measure"),
    ],
)
def test_a_reference_that_fits_nothing_is_refused(orders: tuple[ReferenceOrder, ...], says: str) -> None:
    with pytest.raises(PlanRefused, match=says):
        drafted(COMPARED, a_case(*orders))


def test_a_scale_that_the_site_declares_decides_in_the_plan():
    reach = Measured(measure="hand_behind_back")
    wanted = WithinBounds(measured=reach, bounds=Bounds(low=Threshold(level="L3")))
    protocol = a_protocol(a_stage(a_criterion(wanted)))
    levels = ("buttock", "L5", "L3", "T12")
    site = replace(SITE, levels={"hand_behind_back": levels})
    declared = draft(protocol, a_case(), CATALOGUE, site).facts["hand_behind_back"]
    assert (declared.levels, scale.order(declared, "L5", "L3"), scale.order(declared, "T12", "L3")) == (levels, -1, 1)
    undeclared = draft(protocol, a_case(), CATALOGUE, SITE).facts["hand_behind_back"]
    assert scale.order(undeclared, "L5", "L3") is None
