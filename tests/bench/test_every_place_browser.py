"""Every place of the bench: axe-core finds nothing in it, light and dark, and its chart words can be read on a phone.

axe-core's rules are WCAG 2.2's A and AA, and its best practices; label-content-name-mismatch (2.5.3) and target-size
(2.5.8) among them are off unless asked for.
"""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe
from bench_browser import empty_page
from playwright.sync_api import BrowserContext, Page

from accessible import RULES
from settled import ready, settled

pytestmark = pytest.mark.browser
PLACES = (
    "/", "/listen", "/listen/1", "/listen/blind", "/listen/1/trials", "/measure", "/measure#plan", "/measure#record",
    "/read/1", "/mend/1", "/match/1", "/compare", "/compare?ids=1", "/publish/1",
)  # fmt: skip
OPTIONS = {"resultTypes": ["violations"], "rules": RULES}


def violations(page: Page) -> list[str]:
    found = Axe().run(page, options=OPTIONS).response["violations"]
    return [f"{one['id']}: {len(one['nodes'])}, {one['nodes'][0]['html'][:160]}" for one in found]


@pytest.mark.parametrize("place", PLACES)
def test_axe_finds_nothing(context: BrowserContext, base: str, place: str) -> None:
    with empty_page(context) as page:
        page.goto(base + place)
        settled(ready(page))
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
            assert violations(page) == [], scheme


@pytest.mark.parametrize("place", ["/read/1", "/mend/1", "/match/1"])
def test_words_of_charts_are_12_px_and_more_on_a_phone(context: BrowserContext, base: str, place: str) -> None:
    with empty_page(context) as page:
        page.set_viewport_size({"width": 390, "height": 844})
        page.goto(base + place)
        ready(page)
        page.locator("svg.chart:visible").first.wait_for()
        settled(page)
        sizes = page.evaluate(
            """() => [...document.querySelectorAll("svg.chart")].filter((svg) => svg.getClientRects().length)
              .flatMap((svg) => [...svg.querySelectorAll("text")]
                .filter((one) => one.textContent && one.getClientRects().length)
                .map((one) => [parseFloat(getComputedStyle(one).fontSize) * one.getScreenCTM().a, one.textContent]))"""
        )
        assert sizes
        assert [one for one in sizes if one[0] < 11.95] == []
