"""What the next visit measures, what it leaves alone, and why."""

from datetime import date
from decimal import Decimal

from hypothesis import given
from msgspec.structs import replace

from careplan_bridge.criteria.next_visit import next_visit, stations
from careplan_bridge.model.criterion import (
    AllOf,
    Alternative,
    AnyOf,
    Change,
    Condition,
    FindingIs,
    FirstDoneOf,
    OtherSide,
    Precaution,
    Reference,
    TimeSince,
    WithinBounds,
)
from careplan_bridge.model.next_visit import NextVisit, VisitTest
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.reading import Reading, Unusable
from tests.criteria import records
from tests.criteria.build import (
    CALF,
    DEFICIT,
    EFFUSION,
    FLEXION,
    FORCE,
    TORQUE,
    a_plan,
    at_least,
    at_most,
    between,
    criterion,
    days,
    deg,
    found,
    instant,
    moment,
    of,
    reading,
    record,
    restriction,
    unusable,
)

BENDS = WithinBounds(measured=of(FLEXION), bounds=at_least(80))
SUPINE = {"movement": "active", "position": "supine"}
BENDS_LYING = WithinBounds(measured=of(FLEXION, SUPINE), bounds=at_least(80))
STRONG = OtherSide(measured=of(FORCE), index=at_least(75))
NO_LAG = FindingIs(finding="no-lag", text="Straight-leg raise without lag")
RANKED = FirstDoneOf(
    alternatives=(
        Alternative(condition=OtherSide(measured=of(TORQUE), index=at_least(75)), not_before=70, needs="dynamometer"),
        Alternative(condition=STRONG),
    )
)


def visit(plan: Plan, *entries: Reading | Unusable, day: int = 20, complete: bool = True) -> NextVisit:
    return next_visit(plan, record(*entries), moment(day, 18), complete=complete)


def asking(*conditions: Condition, **more: object) -> Plan:
    several = [
        criterion(one, name=f"c{place}", no_older_than=None if isinstance(one, TimeSince) else 10)
        for place, one in enumerate(conditions)
    ]
    return replace(a_plan(*several, red_flags=[CALF]), **more)


def asked_for(found: NextVisit) -> list[tuple[str, str | None]]:
    return [(test.measure, test.side) for station in found.stations for test in station.tests]


def test_what_is_met_and_recent_is_not_measured_again() -> None:
    plan = asking(BENDS, TimeSince(at_least=90))
    assert visit(plan, reading(FLEXION, deg(85), instant(18))).stations == ()
    assert asked_for(visit(plan, reading(FLEXION, deg(75), instant(18)))) == [("knee_flexion", "left")]
    assert asked_for(visit(plan)) == [("knee_flexion", "left")]


def test_what_cannot_be_told_is_measured_with_its_reason() -> None:
    (station,) = visit(asking(BENDS), unusable(FLEXION, instant(19))).stations
    (purpose,) = station.tests[0].purposes
    assert (purpose.criterion, purpose.reason) == ("c0", "unusable-entry")


def test_a_comparison_asks_for_both_sides_unless_a_reference_is_named() -> None:
    assert asked_for(visit(asking(STRONG))) == [("hhd_force", "left"), ("hhd_force", "right")]
    referred = replace(STRONG, reference=Reference(value=Decimal(400), order="ref", by="s1"))
    assert asked_for(visit(asking(referred))) == [("hhd_force", "left")]


def test_of_a_compound_only_what_is_open_is_asked_for() -> None:
    bent = reading(FLEXION, deg(85), instant(18))
    plan = asking(AllOf(conditions=(BENDS, NO_LAG)), AnyOf(conditions=(BENDS, STRONG)))
    assert asked_for(visit(plan, bent)) == [("finding", None)]


def test_a_test_before_its_day_is_suppressed_and_the_next_one_stands_in() -> None:
    seen = visit(asking(RANKED))
    assert {(one.test.device, one.why, one.until) for one in seen.suppressed} == {
        ("dynamometer", "not-before", date(2026, 5, 11))
    }
    ranks = {purpose.rank for station in seen.stations for test in station.tests for purpose in test.purposes}
    assert (asked_for(seen), ranks) == ([("hhd_force", "left"), ("hhd_force", "right")], {2})
    later = visit(asking(RANKED), day=70)
    assert ([station.device for station in later.stations], later.suppressed) == (["dynamometer", None], ())


def test_what_ranks_behind_the_one_that_decided_is_not_asked_for() -> None:
    sides = [
        reading(TORQUE, deg(50, unit="N.m"), instant(72)),
        reading(TORQUE, deg(100, unit="N.m"), instant(72), side="right"),
    ]
    assert {name for name, _ in asked_for(visit(asking(RANKED), *sides, day=72))} == {"isokinetic_peak_torque"}


def limited(*conditions: Condition, most: object = 90) -> Plan:
    plan = asking(*conditions)
    first = replace(plan.stages[0], restrictions=(restriction(at_most(most), before_day=28),))
    return replace(plan, stages=(first, *plan.stages[1:]))


def test_what_keeps_the_restriction_in_force_is_measured_with_it_beside() -> None:
    (station,) = visit(limited(BENDS)).stations
    assert station.tests[0].within == ("Keep within limit",)


def test_what_asks_for_more_than_a_restriction_in_force_allows_is_suppressed_until_it_ends() -> None:
    beyond = WithinBounds(measured=of(FLEXION), bounds=at_least(91))
    (one,) = visit(limited(beyond)).suppressed
    assert (one.why, one.until) == ("restriction", date(2026, 3, 30))
    assert visit(limited(beyond), day=28).suppressed == ()
    assert visit(limited(WithinBounds(measured=of(FLEXION), bounds=between(90, 110)))).suppressed == ()


def test_a_test_of_the_greatest_value_of_a_restricted_measure_is_suppressed() -> None:
    index = OtherSide(measured=of(FLEXION), index=at_least(75))
    seen = visit(limited(index))
    assert ({one.test.side for one in seen.suppressed}, asked_for(seen)) == ({"left"}, [("knee_flexion", "right")])


def test_the_other_limb_is_not_restricted() -> None:
    other = WithinBounds(measured=replace(of(FLEXION), side="uninvolved"), bounds=at_least(120))
    assert asked_for(visit(limited(other))) == [("knee_flexion", "right")]


def test_levels_are_compared_as_far_as_their_order_goes() -> None:
    plan = asking(WithinBounds(measured=of(EFFUSION), bounds=at_most("trace")))
    kept = restriction(at_least("1+"), measured=of(EFFUSION), before_day=28)
    both = replace(plan, stages=(replace(plan.stages[0], restrictions=(kept,)), *plan.stages[1:]))
    assert [one.why for one in visit(both).suppressed] == ["restriction"]


def test_a_red_flag_without_response_stops_every_test() -> None:
    seen = visit(asking(BENDS, NO_LAG), found("calf", "present", instant(19)))
    assert (seen.stations, [one.why for one in seen.suppressed]) == ((), ["red-flag", "red-flag"])
    assert [(one.id, one.state) for one in seen.ask] == [("calf", "present")]


def test_an_excess_without_response_stops_every_test() -> None:
    seen = visit(limited(BENDS, NO_LAG), reading(FLEXION, deg(95), instant(19)), found("calf", "absent", instant(19)))
    assert (seen.stations, {one.why for one in seen.suppressed}) == ((), {"excess"})


def test_a_possible_excess_stops_tests_of_that_measure_only() -> None:
    seen = visit(limited(BENDS_LYING, NO_LAG), reading(FLEXION, deg(85, 95), instant(19)))
    assert ([one.why for one in seen.suppressed], asked_for(seen)) == (["possible-excess"], [("finding", None)])


def test_red_flags_are_asked_at_every_visit() -> None:
    assert [(one.id, one.state) for one in visit(asking(BENDS)).ask] == [("calf", "not-asked")]
    assert visit(asking(BENDS), found("calf", "absent", instant(20))).ask[0].state == "absent"


def test_what_shares_position_and_device_stands_together() -> None:
    sitting = WithinBounds(measured=of(FLEXION, {"movement": "passive", "position": "sitting"}), bounds=at_least(80))
    straight = WithinBounds(measured=of(DEFICIT), bounds=at_most(0))
    lying = WithinBounds(measured=of(FLEXION, {"movement": "passive", "position": "supine"}), bounds=at_least(80))
    seen = visit(asking(NO_LAG, BENDS_LYING, straight, sitting, lying))
    assert [(station.position, len(station.tests)) for station in seen.stations] == [
        ("supine", 2), (None, 1), ("sitting", 1), (None, 1)
    ]  # fmt: skip
    assert seen.stations[-1].tests[0].measure == "finding"


def test_one_test_serves_every_criterion_that_it_can() -> None:
    (station,) = visit(asking(BENDS, BENDS_LYING)).stations
    (test,) = station.tests
    assert (station.position, {one.criterion for one in test.purposes}) == ("supine", {"c0", "c1"})


def test_no_position_comes_back_once_it_was_left() -> None:
    def test(position: str | None, device: str | None) -> VisitTest:
        ways = {"position": position} if position else {}
        return VisitTest(measure="m", title="M", side="left", qualifiers=ways, device=device, purposes=())

    made = stations([test("a", None), test("b", "x"), test("a", "x"), test(None, None), test("b", None)])
    assert [(one.position, one.device) for one in made] == [
        ("a", None),
        ("a", "x"),
        ("b", "x"),
        ("b", None),
        (None, None),
    ]


def test_what_is_out_of_date_and_when_the_rest_will_be() -> None:
    entries = [reading(FLEXION, deg(85), instant(18)), found("no-lag", "present", instant(9))]
    ages = visit(asking(BENDS, NO_LAG), *entries).ages
    assert [(one.criterion, one.out_of_date_on, one.out_of_date) for one in ages] == [
        ("c1", date(2026, 3, 22), True),
        ("c0", date(2026, 3, 31), False),
    ]


def test_a_reading_of_an_uncertain_day_is_as_old_as_it_may_be() -> None:
    (age,) = visit(asking(BENDS), reading(FLEXION, deg(85), days(12, 15))).ages
    assert age.out_of_date_on == date(2026, 3, 25)


def test_every_part_of_a_criterion_has_its_age() -> None:
    gained = Change(measured=of(FLEXION), bounds=at_least(5))
    sides = [reading(FORCE, deg(1, unit="N"), instant(18)), reading(FORCE, deg(1, unit="N"), instant(19), side="right")]
    ages = visit(asking(STRONG, gained), *sides, reading(FLEXION, deg(85), instant(17))).ages
    assert [one.criterion for one in ages] == ["c1", "c0", "c0"]


def test_precautions_that_hold_stand_beside_the_list() -> None:
    plan = asking(BENDS)
    held = Precaution(id="crutches", text="Walk with two crutches")
    plan = replace(plan, stages=(replace(plan.stages[0], precautions=(held,)), *plan.stages[1:]))
    assert visit(plan).precautions == ("Walk with two crutches",)


def test_an_incomplete_retrieval_is_said() -> None:
    seen = visit(asking(BENDS), reading(FLEXION, deg(85), instant(18)), complete=False)
    assert (seen.complete, asked_for(seen)) == (False, [("knee_flexion", "left")])


@given(records.records())
def test_nothing_is_both_measured_and_suppressed_and_what_is_blocked_measures_nothing(
    entries: list[records.Entry],
) -> None:
    seen = next_visit(records.the_plan(), record(*entries), moment(7, 9, 30), complete=True)
    measured = {_key(test) for station in seen.stations for test in station.tests}
    assert measured.isdisjoint(
        _key(one.test) for one in seen.suppressed if one.why in ("red-flag", "excess", "possible-excess")
    )
    assert seen.outcome != "blocked" or seen.stations == ()
    places = [(station.position, station.device) for station in seen.stations if station.tests[0].measure != "finding"]
    assert len(places) == len(set(places))


def _key(test: VisitTest) -> tuple[object, ...]:
    return (test.measure, test.title, test.side, tuple(sorted(test.qualifiers.items())), test.device)
