"""The desk in Chromium: finding and sorting while typing, one way on, by keyboard too, in light and dark and narrow."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from bench_browser import entered_browser, on_page
from playwright.sync_api import Browser, BrowserContext, expect

from accessible import serious
from earwitness.app.add import add_catalogue
from earwitness.archive.catalogue import Archive
from earwitness.archive.notes import record_opening
from settled import settled

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def desk(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[BrowserContext, str]]:
    archive = tmp_path_factory.mktemp("desk") / "archive"
    add_catalogue(archive, count=6)
    with Archive.open(archive) as opened:
        for one in opened.loudspeakers()[:2]:
            record_opening(opened, name=one.name, maker=one.maker)
    with entered_browser(browser, archive) as made:
        yield made


def test_the_list_follows_what_is_typed_and_the_address_keeps_it(desk: tuple[BrowserContext, str]) -> None:
    context, base = desk
    with on_page(context, base, "home") as page:
        expect(page.locator(".desk tbody tr")).to_have_count(6)
        name = page.locator(".desk tbody tr b").nth(4).inner_text()
        page.keyboard.press("/")
        expect(page.locator("#home-search")).to_be_focused()
        page.keyboard.type(name.lower())
        expect(page.locator(".desk tbody tr")).to_have_count(1)
        expect(page).to_have_url(re.compile("q="))
        page.reload()
        page.wait_for_selector("body[data-ready=home]")
        expect(page.locator(".desk tbody tr b")).to_have_text(name)
        page.locator("#home-search").fill("")
        page.locator("#home-order").select_option("model")
        expect(settled(page).locator(".desk tbody tr")).to_have_count(6)
        names = page.locator(".desk tbody tr b").all_inner_texts()
        assert names == sorted(names, key=str.casefold)
        page.locator("#home-which").select_option("work")
        expect(page.locator(".desk tbody tr")).to_have_count(2)


def test_the_first_line_goes_on_by_keyboard(desk: tuple[BrowserContext, str]) -> None:
    context, base = desk
    with on_page(context, base, "home") as page:
        page.locator("#home-order").focus()
        page.keyboard.press("Tab")
        link = page.locator(".desk .go a").first
        expect(link).to_be_focused()
        wanted = str(link.get_attribute("href"))
        page.keyboard.press("Enter")
        page.wait_for_url(f"**{wanted}")


def test_no_violation_and_no_scrolling_sideways(desk: tuple[BrowserContext, str]) -> None:
    context, base = desk
    with on_page(context, base, "home") as page:
        for width in (1280, 720, 390):
            page.set_viewport_size({"width": width, "height": 900})
            for scheme in ("light", "dark"):
                page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
                assert serious(page) == [], (width, scheme)
                assert page.evaluate("document.documentElement.scrollWidth") <= width
        targets = page.locator("main :is(a, button, select, summary):visible")
        assert min(box["height"] for box in (one.bounding_box() for one in targets.all()) if box) >= 24


def test_an_empty_archive_begins_with_the_demo_or_ones_own(browser: Browser, tmp_path: Path) -> None:
    with entered_browser(browser, tmp_path / "archive") as (context, base), on_page(context, base, "home") as page:
        for words in ("I will record now", "I have recordings", "I have responses"):
            expect(page.get_by_role("link", name=words)).to_be_visible()
        expect(page.get_by_role("button", name="Bring in the demo")).to_be_visible()
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
            assert serious(page) == []
