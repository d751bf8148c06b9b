"""Criteria about a clinician's finding, and about time."""

from careplan_bridge.criteria import words
from careplan_bridge.criteria.current import Known, Missing, Terms, current
from careplan_bridge.criteria.record import Record
from careplan_bridge.criteria.results import decided, resting_on, untold
from careplan_bridge.criteria.truth import CANNOT_TELL, MET, NOT_MET, truth, unanimous
from careplan_bridge.criteria.values import Levels
from careplan_bridge.model.check import CriterionResult, Verdict
from careplan_bridge.model.criterion import FindingIs, Measured, TimeSince
from careplan_bridge.model.measure import FINDING

NOT_ASKED = "not-asked"


def about(finding: str) -> Measured:
    """What is asked for where a finding or a red flag is. Findings of other protocols never come this far."""
    return Measured(measure=FINDING, side=None, qualifiers={"finding": finding})


def verdict_of_finding(condition: FindingIs, terms: Terms, record: Record) -> Verdict | Missing:
    """The verdict alone, or what is missing for it, without words and readings."""
    found = current(about(condition.finding), terms, record)
    return found if isinstance(found, Missing) else _answered(condition, _levels(found))


def judge_finding(condition: FindingIs, terms: Terms, record: Record) -> CriterionResult:
    wanted = about(condition.finding)
    found = current(wanted, terms, record)
    asked = f"{condition.expected} wanted"
    if isinstance(found, Missing):
        missing = _in_words(found, condition)
        return untold(terms, missing, wanted, record, asked=asked)
    levels = _levels(found)
    verdict = _answered(condition, levels)
    said = words.possible(found.value, record.facts(FINDING))
    return decided(
        terms,
        verdict,
        f"{said} {words.on(found.entries, record.calendar)}; {asked}",
        readings=resting_on(found.entries, wanted, record),
        reason="not-asked" if NOT_ASKED in levels else "",
        settle=_look(condition) if verdict is CANNOT_TELL else "",
    )


def judge_time(condition: TimeSince, terms: Terms, record: Record) -> CriterionResult:
    """At least so many days since a surgery, its day included."""
    surgery_id = condition.surgery or record.plan.surgery
    surgery = next((one for one in record.plan.surgeries if one.id == surgery_id), None)
    wish = f"at least {words.days(condition.at_least)} wanted"
    if surgery is None:
        said = f"the case names no surgery {surgery_id!r}; {wish}"
        return decided(
            terms, CANNOT_TELL, said, reason="surgery-unknown", settle=f"the surgery {surgery_id!r} in the case"
        )
    operated = record.day_of(surgery)
    due = operated + condition.at_least
    reached = (
        f"{surgery.procedure} on {surgery.on.isoformat()}; {wish}: reached on {record.calendar.date(due).isoformat()}"
    )
    return decided(terms, truth(record.day >= due), reached, near="no")


def _levels(found: Known) -> Levels:
    return found.value if isinstance(found.value, frozenset) else frozenset[str]()


def _answered(condition: FindingIs, levels: Levels) -> Verdict:
    return unanimous(_answer(level, condition.expected) for level in levels)


def _answer(level: str, expected: str) -> Verdict:
    return CANNOT_TELL if level == NOT_ASKED else MET if level == expected else NOT_MET


def _in_words(missing: Missing, condition: FindingIs) -> Missing:
    """A finding is looked for, not measured."""
    if missing.reason in ("no-reading", "no-matching-reading"):
        return Missing("no-reading", lambda: "not recorded", lambda: _look(condition))
    as_measured = missing.reason in ("incomplete", "newer-unusable-entry", "unusable-entry")
    settle = missing.what_settles if as_measured else lambda: _look(condition)
    return Missing(missing.reason, missing.in_words, settle, missing.entries)


def _look(condition: FindingIs) -> str:
    return f"a clinician's finding, present or absent: {condition.text}"
