"""Plans, readings and unusable entries in a few words, for tests of one rule."""

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

from msgspec.structs import replace

from careplan_bridge.criteria.check import check
from careplan_bridge.model.case import Confirmed, Surgery
from careplan_bridge.model.check import CriteriaCheck, CriterionResult
from careplan_bridge.model.course import Course
from careplan_bridge.model.criterion import Condition, Criterion, Measured, RedFlag, Restriction
from careplan_bridge.model.measure import ErrorFigure, Measure, Qualifier
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.protocol import DISCHARGE, Stage, Window
from careplan_bridge.model.reading import Caveat, Hint, Reading, Readings, Recorded, Source, Unusable
from careplan_bridge.model.value import Amount, Bounds, Grade, Moment, Threshold, Value
from tests.built import CLINIC, PROTOCOL, SURGEON, SURGERY, THERAPIST

DAY_0 = SURGERY.on
MOVEMENT = Qualifier(name="movement", values=("active", "active-assisted", "passive"), required=True)
POSITION = Qualifier(name="position", values=("supine", "sitting"), open=True)
FLEXION = Measure(
    id="knee_flexion",
    term="Knee flexion",
    joint="knee",
    unit="deg",
    bare_unit="deg",
    side="required",
    better="up",
    qualifiers=(MOVEMENT, POSITION),
    errors=(
        ErrorFigure(
            value=Decimal(6), unit="deg", kind="MSD", src="x", where={"movement": "active"}, instrument="inclinometer"
        ),
        ErrorFigure(
            value=Decimal(10), unit="deg", kind="MSD", src="x", where={"movement": "active"}, instrument="goniometer"
        ),
        ErrorFigure(value=Decimal(3), unit="deg", kind="MCID", src="x"),
    ),
)
DEFICIT = Measure(
    id="knee_extension_deficit",
    term="Knee extension deficit",
    joint="knee",
    unit="deg",
    bare_unit="deg",
    side="required",
    better="down",
    signed="extension",
    qualifiers=(MOVEMENT,),
)
HYPEREXTENSION = replace(DEFICIT, id="knee_hyperextension", term="Knee hyperextension", better="match_other_side")
FORCE = Measure(
    id="hhd_force",
    term="Hand-held dynamometry",
    unit="N",
    bare_unit=None,
    side="required",
    better="up",
    qualifiers=(Qualifier(name="muscle", values=("knee extensors", "knee flexors"), required=True),),
)
TORQUE = replace(FORCE, id="isokinetic_peak_torque", term="Isokinetic peak torque", unit="N.m")
EFFUSION = Measure(
    id="knee_effusion_stroke",
    term="Knee effusion, stroke test",
    unit=None,
    bare_unit="level",
    side="required",
    levels=("zero", "trace", "1+", "2+", "3+"),
)
WALK = Measure(
    id="timed_up_and_go",
    term="Timed up and go",
    unit="s",
    bare_unit=None,
    side="none",
    better="down",
    qualifiers=(Qualifier(name="aid", values=("none", "walking frame"), open=True),),
)
FACTS = {one.id: one for one in (FLEXION, DEFICIT, HYPEREXTENSION, FORCE, TORQUE, EFFUSION, WALK)}
ACTIVE = {"movement": "active"}
CALF = RedFlag(id="calf", ask="Calf pain or new swelling of the leg?", act="Same-day medical review")


def moment(day: int, hour: int = 12, minute: int = 0) -> datetime:
    """Hours of UTC on a day after surgery."""
    return datetime(DAY_0.year, DAY_0.month, DAY_0.day, tzinfo=UTC) + timedelta(days=day, hours=hour, minutes=minute)


def instant(day: int, hour: int = 12, minute: int = 0) -> Moment:
    return Moment(moment(day, hour, minute), moment(day, hour, minute))


def days(first: int, last: int) -> Moment:
    """Some time from noon of the first day to noon of the last."""
    return Moment(moment(first), moment(last))


def deg(
    low: object, high: object = None, *, unit: str = "deg", low_included: bool = True, high_included: bool = True
) -> Amount:
    """One number, or a range; "" is an open end."""
    ends = (low, low if high is None else high)
    numbers = [None if end == "" else Decimal(str(end)) for end in ends]
    return Amount(numbers[0], numbers[1], unit, low_included, high_included)


def grade(low: str | None, high: str | None = None) -> Grade:
    return Grade(low, low if high is None else high)


_COUNT = iter(range(1, 1_000_000))


def reading(
    measure: Measure,
    value: Value,
    at: Moment,
    *,
    side: str | None = "left",
    qualifiers: Mapping[str, str] | None = None,
    name: str = "",
    caveats: Sequence[Caveat] = (),
    circumstances: Mapping[str, str] | None = None,
) -> Reading:
    usual = {qualifier.name: qualifier.values[0] for qualifier in measure.qualifiers if qualifier.required}
    return Reading(
        source=source(name),
        measure=measure.id,
        side=None if measure.side == "none" else side,
        qualifiers=usual if qualifiers is None else dict(qualifiers),
        value=value,
        recorded=Recorded(text="as it came"),
        at=at,
        circumstances=dict(circumstances or {}),
        caveats=tuple(caveats),
    )


def source(name: str = "") -> Source:
    return Source(resource=f"Observation/{name or next(_COUNT)}", version="1")


def found(finding: str, level: str, at: Moment, *, name: str = "") -> Reading:
    """A clinician's finding, or the answer to a red flag's question."""
    return Reading(
        source=source(name),
        measure="finding",
        side=None,
        qualifiers={"protocol": PROTOCOL.url, "finding": finding},
        value=grade(level),
        recorded=Recorded(text=level),
        at=at,
    )


def unusable(
    measure: Measure | None,
    at: Moment | None,
    *,
    value: Value | None = None,
    side: str | None = None,
    qualifiers: Mapping[str, str] | None = None,
    void: bool = False,
    name: str = "",
) -> Unusable:
    return Unusable(
        source=source(name),
        reason="entered-in-error" if void else "side-missing",
        says="the entry was withdrawn" if void else "the side is not known",
        settle="nothing" if void else "left or right",
        void=void,
        hint=Hint(measure=measure and measure.id, side=side, qualifiers=dict(qualifiers or {}), value=value, at=at),
    )


def record(*entries: Reading | Unusable) -> Readings:
    return Readings(
        readings=tuple(entry for entry in entries if isinstance(entry, Reading)),
        unusable=tuple(entry for entry in entries if isinstance(entry, Unusable)),
    )


def at_least(number: object) -> Bounds:
    return Bounds(low=_threshold(number))


def at_most(number: object) -> Bounds:
    return Bounds(high=_threshold(number))


def between(low: object, high: object) -> Bounds:
    return Bounds(low=_threshold(low), high=_threshold(high))


def of(measure: Measure, qualifiers: Mapping[str, str] | None = None) -> Measured:
    usual = {qualifier.name: qualifier.values[0] for qualifier in measure.qualifiers if qualifier.required}
    side = None if measure.side == "none" else "involved"
    return Measured(measure=measure.id, side=side, qualifiers=usual if qualifiers is None else dict(qualifiers))


def criterion(
    condition: Condition,
    *,
    name: str = "asked",
    no_older_than: int | None = 10,
    expected_by: int | None = None,
    call_surgeon_by: int | None = None,
    accepts: Sequence[str] = (),
) -> Criterion:
    return Criterion(
        id=name,
        says=f"What {name} says",
        condition=condition,
        no_older_than=no_older_than,
        expected_by=expected_by,
        call_surgeon_by=call_surgeon_by,
        accepts=tuple(accepts),
    )


def restriction(
    bounds: Bounds,
    *,
    measured: Measured | None = None,
    from_day: int = 0,
    before_day: int | None = 28,
    name: str = "limit",
) -> Restriction:
    measured = measured or of(FLEXION, {"movement": "passive"})
    return Restriction(
        id=name, says=f"Keep within {name}", measured=measured, bounds=bounds, from_day=from_day, before_day=before_day
    )


def a_plan(
    *criteria: Criterion,
    restrictions: Sequence[Restriction] = (),
    red_flags: Sequence[RedFlag] = (),
    earliest: int | None = None,
    surgeries: Sequence[Surgery] = (SURGERY,),
    confirmed: bool = True,
    course: Course | None = None,
    zone: str = CLINIC.timezone,
) -> Plan:
    """A plan whose first stage has these criteria and restrictions; the left knee was operated on."""
    first = Stage(
        id="settle",
        title="Settle the knee",
        window=Window(before_day=42, earliest_advance=earliest),
        criteria=criteria,
        restrictions=tuple(restrictions),
    )
    last = Stage(id=DISCHARGE, title="Discharge", window=Window(from_day=42))
    return Plan(
        id="7d1b2c0e-0000-4000-8000-000000000001",
        revision=1,
        case="quay-1",
        patient="Patient/example-1",
        protocol=PROTOCOL,
        clinic=replace(CLINIC, timezone=zone),
        side="left",
        surgery=SURGERY.id,
        surgeries=tuple(surgeries),
        people=(THERAPIST, SURGEON),
        orders=(),
        orders_confirmed=Confirmed(by="s1", on=date(2026, 3, 3)) if confirmed else None,
        own_goals=(),
        signatures={"advance": ("therapist",), "discharge": ("therapist", "surgeon")},
        red_flags=tuple(red_flags),
        stages=(first, last),
        facts=FACTS,
        catalogue_digest="",
        conventions_digest="",
        case_digest="",
        course=course or Course(),
    )


def checked(
    plan: Plan, *entries: Reading | Unusable, at: datetime | None = None, complete: bool = True
) -> CriteriaCheck:
    """The check at 18:00 UTC of day 20, unless another moment is given."""
    return check(plan, record(*entries), at or moment(20, 18), complete=complete)


def judged(condition: Condition, *entries: Reading | Unusable, no_older_than: int | None = 10) -> CriterionResult:
    """The result of one condition on day 20."""
    return checked(a_plan(criterion(condition, no_older_than=no_older_than)), *entries).criteria[0]


def _threshold(number: object) -> Threshold:
    text = str(number)
    try:
        return Threshold(number=Decimal(text))
    except ArithmeticError:
        return Threshold(level=text)
