"""Which tests are not yet safe, and why. Only what the plan itself says is known here: a clinician may know more.

A red flag or an excess without response stops every test; a possible excess stops tests of that measure on the treated side. A
test before its own day is suppressed, and so is one that asks for what a restriction in force forbids. Where both can be kept, the
test stands with the restriction beside it.
"""

from collections.abc import Iterator
from datetime import date

from careplan_bridge.criteria import red_flags, restrictions, words
from careplan_bridge.criteria.interval import Interval
from careplan_bridge.criteria.matching import loosely
from careplan_bridge.criteria.open_tests import OpenTest
from careplan_bridge.criteria.record import Record
from careplan_bridge.criteria.survey import Survey
from careplan_bridge.criteria.truth import NOT_MET
from careplan_bridge.criteria.values import wanted, within
from careplan_bridge.model.criterion import OtherSide, Restriction, WithinBounds
from careplan_bridge.model.measure import Measure
from careplan_bridge.model.next_visit import Suppressed, Suppression
from careplan_bridge.model.signed_scale import twin
from careplan_bridge.model.value import Bounds


def suppressed(asked: OpenTest, record: Record, judged: Survey) -> Suppressed | None:
    """The first reason why this must not be tested now; None where the plan knows none."""
    return next(_reasons(asked, record, judged), None)


def limits(asked: OpenTest, record: Record, judged: Survey) -> tuple[Restriction, ...]:
    """The restrictions in force on this very measure and side, in any movement and position."""
    in_force = {result.id for result in judged.restrictions if result.in_force}
    several = (one for stage in record.plan.stages for one in stage.restrictions if one.id in in_force)
    return tuple(one for one in several if _concerns(one, asked, record))


def _reasons(asked: OpenTest, record: Record, judged: Survey) -> Iterator[Suppressed]:
    yield from _unanswered(asked, record, judged)
    if asked.not_before is not None and record.day < asked.not_before:
        day = words.dated(asked.not_before, record.calendar)
        yield _because(asked, "not-before", f"Not before {day}.", record.calendar.date(asked.not_before))
    for limit in limits(asked, record, judged):
        if _forbids(limit, asked, record):
            until = None if limit.before_day is None else record.calendar.date(limit.before_day)
            yield _because(
                asked, "restriction", f"It asks for what a restriction in force forbids: {limit.says}.", until
            )


def _unanswered(asked: OpenTest, record: Record, judged: Survey) -> Iterator[Suppressed]:
    for flag in judged.red_flags:
        if flag.state == red_flags.PRESENT:
            yield _because(asked, "red-flag", f"Red flag without response: {flag.ask} {flag.act}.", None)
    for result in judged.restrictions:
        if result.state == restrictions.EXCEEDED:
            yield _because(asked, "excess", f"Exceeded, without response: {result.says}.", None)
    doubtful = {result.id: result for result in judged.restrictions if result.state == restrictions.POSSIBLY}
    for stage in record.plan.stages:
        for one in stage.restrictions:
            if one.id in doubtful and _concerns(one, asked, record):
                said = f"Possibly exceeded, without response: {one.says}."
                yield _because(asked, "possible-excess", said, None)


def _concerns(limit: Restriction, asked: OpenTest, record: Record) -> bool:
    test = asked.test
    facts = record.plan.facts.get(test.measure)
    if facts is None or limit.measured.measure not in (test.measure, twin(test.measure, record.plan.facts)):
        return False
    meant = loosely(limit.measured, test.side, test.qualifiers, involved=record.plan.side, measure=facts)
    return meant is not NOT_MET


def _forbids(limit: Restriction, asked: OpenTest, record: Record) -> bool:
    """Nothing that meets the criterion keeps the restriction; a test of the greatest force keeps to no bound at all."""
    condition = asked.condition
    if isinstance(condition, OtherSide):
        return condition.index is not None
    if not isinstance(condition, WithinBounds) or condition.measured.measure != limit.measured.measure:
        return False
    return not _possible_together(condition.bounds, limit.bounds, record.facts(limit.measured.measure))


def _possible_together(some: Bounds, others: Bounds, measure: Measure) -> bool:
    if measure.unit is None:
        return any(_keeps(level, some, measure) and _keeps(level, others, measure) for level in measure.levels)
    return _meet(wanted(some), wanted(others))


def _keeps(level: str, bounds: Bounds, measure: Measure) -> bool:
    """May it? A numbered level stands for many, and where the order of two is not established either may be meant."""
    return within(frozenset({level}), bounds, measure) is not NOT_MET


def _meet(some: Interval, others: Interval) -> bool:
    for below, above in ((some, others), (others, some)):
        if below.high is None or above.low is None or below.high > above.low:
            continue
        if below.high < above.low or not (below.high_included and above.low_included):
            return False
    return True


def _because(asked: OpenTest, why: Suppression, says: str, until: date | None) -> Suppressed:
    return Suppressed(test=asked.test, why=why, says=says, until=until)
