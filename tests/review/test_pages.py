"""Whole pages from whole documents, and how they look in a browser."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec
import pytest
from markupsafe import escape

from careplan_bridge.model.plan import Plan
from careplan_bridge.review.next_visit import next_visit_text
from careplan_bridge.review.page import next_visit_page, page, plan_page
from careplan_bridge.review.text import check_text
from tests.snapshots import assert_matches

if TYPE_CHECKING:
    from playwright.sync_api import Browser

PAGES = Path(__file__).parent / "pages"
VISITS = ["visit-1", "visit-2"]
NEXT = ["next-early", "next-blocked", "next-ranked"]
WIDE, PHONE = (1280, 900), (375, 700)


def document(path: str) -> dict[str, Any]:
    return msgspec.json.decode((PAGES / path).read_bytes())


@pytest.mark.parametrize("visit", VISITS)
def test_a_check_gives_its_page_and_its_text(visit: str) -> None:
    check = document(f"{visit}/check.json")
    assert_matches(PAGES / visit / "page.html", page(check))
    assert_matches(PAGES / visit / "text.txt", check_text(check) + "\n")


def test_a_plan_gives_its_page() -> None:
    plan = msgspec.json.decode((PAGES / "plan/plan.json").read_bytes(), type=Plan)
    assert_matches(PAGES / "plan" / "page.html", plan_page(msgspec.to_builtins(plan)))


@pytest.mark.parametrize("visit", NEXT)
def test_a_next_visit_gives_its_page_and_its_text(visit: str) -> None:
    said = document(f"{visit}/next-visit.json")
    assert_matches(PAGES / visit / "page.html", next_visit_page(said))
    assert_matches(PAGES / visit / "text.txt", next_visit_text(said) + "\n")
    for caution in said["cautions"]:
        assert caution in next_visit_text(said)
        assert str(escape(caution)) in next_visit_page(said)


@pytest.mark.parametrize("size", [WIDE, PHONE])
@pytest.mark.parametrize(
    "file", ["visit-1/page.html", "visit-2/page.html", "plan/page.html", *(f"{one}/page.html" for one in NEXT)]
)
def test_it_fits_its_window_and_asks_for_nothing(file: str, size: tuple[int, int], chromium: "Browser") -> None:
    tab = chromium.new_page(viewport={"width": size[0], "height": size[1]})
    asked: list[str] = []
    complaints: list[str] = []
    tab.on("request", lambda request: asked.append(request.url))
    tab.on("console", lambda message: complaints.append(message.text))
    tab.goto((PAGES / file).as_uri())
    too_wide = tab.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    smallest = tab.evaluate(
        "Math.min(...[...document.querySelectorAll('p, td, li')].map(e => parseFloat(getComputedStyle(e).fontSize)))"
    )
    tab.close()
    assert too_wide <= 0
    assert smallest >= 13
    assert (len(asked), complaints) == (1, [])


def test_the_verdict_is_seen_without_scrolling_on_a_phone(chromium: "Browser") -> None:
    tab = chromium.new_page(viewport={"width": PHONE[0], "height": PHONE[1]})
    tab.goto((PAGES / "visit-1/page.html").as_uri())
    top = tab.evaluate("document.querySelector('.outcome').getBoundingClientRect().top")
    tab.close()
    assert top < PHONE[1] / 2


def test_every_heading_names_its_part(chromium: "Browser") -> None:
    tab = chromium.new_page()
    tab.goto((PAGES / "visit-1/page.html").as_uri())
    headings = tab.evaluate("[...document.querySelectorAll('h1, h2')].map(e => e.textContent.trim())")
    tab.close()
    assert all(headings)
    assert len(set(headings)) == len(headings)
