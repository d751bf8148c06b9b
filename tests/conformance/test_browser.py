"""The browser that looks at our pages draws them, wide and narrow."""

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser

PAGE = "<!doctype html><title>Made up</title><h1>Criteria met, awaiting decision</h1>"


@pytest.mark.parametrize("width", [1280, 390], ids=["wide", "phone"])
def test_a_page_is_drawn(chromium: "Browser", width: int) -> None:
    page = chromium.new_page(viewport={"width": width, "height": 800})
    page.set_content(PAGE)
    assert page.title() == "Made up"
    box = page.get_by_role("heading").bounding_box()
    assert box is not None
    assert 0 < box["width"] <= width
    page.close()
