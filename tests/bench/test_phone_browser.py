"""Every place of the bench in a narrow window: nothing needs scrolling sideways (WCAG 2.2, 1.4.10 Reflow)."""

from __future__ import annotations

import pytest
from bench_browser import empty_page
from playwright.sync_api import BrowserContext

from settled import ready, settled

pytestmark = pytest.mark.browser
PLACES = (
    "/", "/listen", "/listen/1", "/listen/blind", "/measure", "/measure#plan", "/measure#record", "/measure/1",
    "/read/1", "/mend/1", "/match/1", "/compare", "/publish/1",
)  # fmt: skip


@pytest.mark.parametrize("width", [390, 720])
def test_no_place_is_wider_than_the_window(context: BrowserContext, base: str, width: int) -> None:
    """390 px: a phone; 720 px: a desk's window at 200 %."""
    with empty_page(context) as page:
        page.set_viewport_size({"width": width, "height": 844})
        for place in PLACES:
            page.goto(base + place)
            settled(ready(page))
            assert page.evaluate("document.documentElement.scrollWidth") <= width, place
