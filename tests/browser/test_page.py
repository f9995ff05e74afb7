"""The published page in a real browser, opened from disk: no network, no fault, accessible in every dress."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from accessible import serious
from earwitness.app.publish import publish_review
from made_once import QUICK_KEYS, MadeOnce

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def page_path(made_once: MadeOnce, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The review of a short demo session."""
    folder = tmp_path_factory.mktemp("page")
    shutil.copytree(made_once.archive(*QUICK_KEYS), folder / "archive")
    return publish_review("thimble", folder / "review", folder / "archive").page


@pytest.mark.parametrize("width", [390, 1280])
@pytest.mark.parametrize("theme", ["light", "dark"])
def test_no_serious_fault_of_access_and_no_sideways_scroll(browser, page_path, width: int, theme: str) -> None:
    """WCAG 2.2 AA as far as axe-core can tell."""
    page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=theme)
    asked: list[str] = []
    faults: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.goto(page_path.as_uri())
    assert serious(page) == []
    assert faults == []
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    page.close()


def test_hover_reads_all_curves_at_one_frequency(browser, page_path) -> None:
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.goto(page_path.as_uri())
    figure = page.locator("figure.chart").first
    figure.scroll_into_view_if_needed()
    box = figure.locator("svg:visible").first.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + box["width"] * 0.5, box["y"] + box["height"] * 0.3)
    text = figure.locator("[role=slider]").first.get_attribute("aria-valuetext") or ""
    for name in ("on axis", "listening window", "early reflections", "sound power"):
        assert name in text
    page.close()
