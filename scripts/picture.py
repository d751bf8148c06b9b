"""Writes docs/review-page.png, README's picture, from the page that the tests keep. Needs Playwright and a Chromium in PATH."""

import shutil
from pathlib import Path

from playwright.sync_api import sync_playwright

PAGE = Path("tests/review/pages/visit-2/page.html")
PICTURE = Path("docs/review-page.png")


def main() -> None:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        tab = browser.new_page(viewport={"width": 1100, "height": 1180})
        tab.goto(PAGE.resolve().as_uri())
        tab.screenshot(path=PICTURE)
        browser.close()


if __name__ == "__main__":
    main()
