"""The page: whole, safe, readable without script, and never saying more than the check."""

import re
from html.parser import HTMLParser
from typing import Any

import pytest
from msgspec.structs import replace

from careplan_bridge.model.case import OwnGoal
from careplan_bridge.model.check import Attention, CriteriaCheck, Outcome, RedFlagResult
from careplan_bridge.model.reading import Source, Unusable
from careplan_bridge.model.value import Amount
from careplan_bridge.review import words
from careplan_bridge.review.documents import check_document
from careplan_bridge.review.page import page
from careplan_bridge.review.text import check_text
from tests.built import CLINIC, a_check, a_plan
from tests.review.test_documents import a_full_check

HOSTILE = "\"><script>alert(1)</script>&amp;'{{7*7}}"


def shown(check: CriteriaCheck) -> str:
    return page(check_document(check))


class Tags(HTMLParser):
    """Names of the elements, and whether each one that opens also closes."""

    def __init__(self) -> None:
        super().__init__()
        self.seen: list[str] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        del attrs
        self.seen.append(tag)
        if tag not in {"meta", "br"}:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def tags(html: str) -> Tags:
    parser = Tags()
    parser.feed(html)
    return parser


@pytest.mark.parametrize("outcome", list(Outcome))
def test_each_outcome_has_its_words_and_the_cautions(outcome: Outcome) -> None:
    html = shown(a_check(a_plan(), outcome=outcome))
    assert words.OUTCOMES[outcome][0] in html
    assert "not a medical device" in html
    assert "made-up criteria, not for care" in html
    assert "progress" not in re.sub(r"<style>.*</style>", "", html, flags=re.DOTALL).lower()


def test_it_is_one_file_without_script_or_anything_from_elsewhere() -> None:
    html = shown(a_full_check(Amount(None, None, "deg")))
    parser = tags(html)
    assert not parser.open
    assert not {"script", "link", "img", "iframe"} & set(parser.seen)
    assert "http" not in html.replace(CLINIC.base, "").replace("http-equiv", "")


def test_what_people_typed_is_text() -> None:
    check = replace(
        a_check(a_plan()),
        own_goals=(OwnGoal(id="g", text=HOSTILE),),
        attention=(Attention(mark=HOSTILE, subject=HOSTILE, says=HOSTILE),),
        missing=(HOSTILE,),
        clinic=replace(CLINIC, name=HOSTILE, contact=HOSTILE),
    )
    html = shown(check)
    assert "<script" not in html
    assert "49" not in re.findall(r"alert\(1\).{0,60}", html)[0]
    assert not tags(html).open


def test_a_block_prints_the_clinics_contact() -> None:
    flag = RedFlagResult(id="calf", ask="Calf pain?", act="Review today", state="present")
    check = replace(a_check(a_plan(), outcome=Outcome.BLOCKED), red_flags=(flag,))
    assert CLINIC.contact in shown(check)
    assert CLINIC.contact in check_text(check_document(check))
    assert CLINIC.contact not in shown(a_check(a_plan()))


@pytest.mark.parametrize(("number", "said"), [(0, "day 0"), (7, "week 1"), (10, "day 10"), (28, "week 4")])
def test_weeks_begin_on_their_day(number: int, said: str) -> None:
    assert words.week(number) == said


def test_a_week_never_stands_without_its_date() -> None:
    assert words.dated(42, "2026-03-02") == "week 6 (Mon 13 Apr 2026)"


@pytest.mark.parametrize("table", [words.VERDICTS, words.RESTRICTIONS, words.RED_FLAGS])
def test_no_two_states_share_symbol_and_word(table: dict[str, tuple[str, str]]) -> None:
    assert len(set(table.values())) == len(table)


def test_an_unknown_state_is_shown_as_unknown() -> None:
    table: dict[str, Any] = words.VERDICTS
    assert words.symbol(table, "made-up") == "?"


@pytest.mark.parametrize(("day", "said"), [(13, True), (14, False)])
def test_the_earliest_date_is_said_until_it_has_come(day: int, said: bool) -> None:  # noqa: FBT001
    check = replace(a_check(a_plan()), day=day)
    sentence = "Earliest date to move on: Mon 16 Mar 2026"
    assert (sentence in shown(check)) == said
    assert (sentence in check_text(check_document(check))) == said


def test_an_entry_that_could_mean_several_measures_is_listed_once() -> None:
    parts = tuple(
        Unusable(
            source=Source("Observation/arc", part=part), reason="arc-unknown", says="no order", settle="declare it"
        )
        for part in ("knee_flexion", "knee_extension_deficit")
    )
    check = replace(a_check(a_plan()), unusable=parts)
    assert shown(check).count("Observation/arc") == 1
    assert check_text(check_document(check)).count("Observation/arc") == 1
