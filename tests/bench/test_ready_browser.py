"""Nothing can be clicked, typed or keyed on a page of the bench before it would count: scripts and drafts are held back
on their way, as a busy machine does it."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from bench_browser import empty_page, held_back
from playwright.sync_api import BrowserContext, Page, expect

from settled import ready, settled

pytestmark = pytest.mark.browser

# Each place, what holds its work back, and a field or button that would lose what is done to it.
PLACES = (
    ("/listen", "**/api/drafts/**", "#seal"),
    ("/listen/blind", "**/api/drafts/**", "#deal-name"),
    ("/listen/1", "**/static/listen.js", "#own"),
    ("/listen/record", "**/static/listen_held.js", "#count"),
    ("/measure", "**/static/measure_live.js", "#folder"),
    ("/measure#begin", "**/api/measure/session/form", "#session-folder"),
    ("/read/1", "**/static/read.js", "#rear-wall"),
    ("/mend/1", "**/api/drafts/**", "#add-band"),
    ("/match/1", "**/api/drafts/room:default", "#length_m"),
    ("/compare", "**/static/compare.js", "#q"),
    ("/compare", "**/api/drafts/**", "#group-save"),
    ("/publish/1", "**/api/drafts/**", "#part-verdict"),
    ("/", "**/static/bench.js", "#home-search"),
    ("/", "**/static/bench.js", "#in-hand"),
)


def takes_focus(page: Page, field: str) -> bool:
    """Whether a field or button can be come to: what is inert, or off, cannot (HTML, 6.3 and 6.6.2)."""
    found = page.evaluate(
        "s => { const one = document.querySelector(s); one.focus(); return document.activeElement === one; }", field
    )
    return bool(found)


@pytest.fixture
def page(context: BrowserContext) -> Iterator[Page]:
    with empty_page(context) as made:
        yield made


@pytest.mark.parametrize(("path", "what", "field"), PLACES, ids=[f"{path} {field}" for path, _, field in PLACES])
def test_a_field_is_off_until_what_is_done_to_it_counts(
    page: Page, base: str, path: str, what: str, field: str
) -> None:
    with held_back(page, what):
        page.goto(base + path, wait_until="commit")
        expect(page.locator(field)).to_be_attached()
        assert not takes_focus(page, field)
    ready(page)
    # A button may be off for a reason of its own.
    assert takes_focus(page, field) or page.locator(field).is_disabled()


def test_keys_and_a_double_click_set_no_band_before_the_draft_is_there(page: Page, base: str) -> None:
    with held_back(page, "**/api/drafts/**"):
        page.goto(base + "/mend/1")
        expect(page.locator("#mend-findings li").first).to_be_visible()
        page.keyboard.press("n")
        box = page.locator("#mend-chart svg.chart").first.bounding_box()
        assert box is not None
        page.mouse.dblclick(box["x"] + 250, box["y"] + 150)
        expect(page.locator("#bands tr")).to_have_count(0)
        # Keys of the whole bench work all the same.
        page.keyboard.press("j")
        expect(page.locator("#jobs")).to_be_visible()
    page.wait_for_selector("body[data-ready=mend]")
    page.keyboard.press("n")
    expect(page.locator("#bands tr")).to_have_count(1)
    expect(settled(page).locator("#draft-state")).to_contain_text(re.compile(r"^\s*saved"))
    page.keyboard.press("Control+z")
    expect(page.locator("#bands tr")).to_have_count(0)


def test_groups_that_cannot_be_opened_leave_the_catalogue_in_use(context: BrowserContext, base: str) -> None:
    page = context.new_page()
    page.route("**/api/drafts/groups:compare", lambda route: route.abort())
    page.goto(base + "/compare")
    page.locator("#q").click(trial=True)
    expect(page.locator("#notes .error")).to_contain_text("reload this page: before, nothing can be entered here")
    assert not takes_focus(page, "#group-save")
    expect(page.locator("#shelf-rows tr")).to_have_count(1)
    page.close()


@pytest.mark.parametrize("missing", ["publish.js", "publish_exhibits.js"])
def test_a_script_that_does_not_arrive_is_told(context: BrowserContext, base: str, missing: str) -> None:
    page = context.new_page()
    page.route(f"**/static/{missing}", lambda route: route.abort())
    page.goto(base + "/publish/1")
    expect(page.locator("#notes .error")).to_contain_text("A part of this page did not arrive")
    assert not takes_focus(page, "#publish")
    page.close()


def test_the_loudspeaker_in_hand_is_the_page_s_own_after_going_back(page: Page, base: str) -> None:
    page.goto(base + "/listen")
    ready(page).locator("#in-hand").select_option("1")
    page.wait_for_url("**/listen/1")
    ready(page)
    page.go_back()
    page.wait_for_url("**/listen")
    expect(ready(page).locator("#in-hand")).to_have_value("")
