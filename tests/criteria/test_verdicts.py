"""The verdicts alone are those of the full check."""

import random

from hypothesis import given
from hypothesis import strategies as st

from careplan_bridge.criteria.verdicts import Questions, verdicts
from careplan_bridge.model.reading import Reading
from tests.criteria import records
from tests.criteria.build import checked, moment
from tests.criteria.records import Entry

PLAN = records.the_plan()
AT = moment(10, 9, 30)
QUESTION = Questions().of(PLAN)


@given(records.records(12), st.randoms(use_true_random=False), st.sampled_from(["complete", "incomplete"]))
def test_they_are_the_same(entries: list[Entry], chance: random.Random, retrieval: str) -> None:
    complete = retrieval == "complete"
    expected = [result.verdict for result in checked(PLAN, *entries, at=AT, complete=complete).criteria]
    chance.shuffle(entries)
    assert list(verdicts(PLAN, QUESTION, entries, AT, complete=complete)) == expected


@given(records.records(12))
def test_what_the_question_does_not_want_changes_none(entries: list[Entry]) -> None:
    def wanted(entry: Entry) -> bool:
        hint = entry if isinstance(entry, Reading) else entry.hint
        measure = hint.measure or ""
        return measure in QUESTION.measures and QUESTION.wants(measure, hint.side, hint.qualifiers)

    asked_for = list(filter(wanted, entries))
    assert verdicts(PLAN, QUESTION, asked_for, AT, complete=True) == verdicts(
        PLAN, QUESTION, entries, AT, complete=True
    )


def test_a_plan_that_asks_the_same_shares_the_question_and_one_that_does_not_has_its_own() -> None:
    questions = Questions()
    assert questions.of(PLAN) is questions.of(records.the_plan())
    assert questions.of(PLAN) is not questions.of(records.the_plan(no_older_than=6))
