"""The place Publish in Chromium: words with a preview, exhibits by keyboard, and the page that comes of it.

Every field is given script and markup; none may run, in the bench or in what is published.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from bench_browser import empty_page, held_back
from bench_client import running
from playwright.sync_api import BrowserContext, Page, expect

from accessible import serious
from settled import ready, settled

pytestmark = pytest.mark.browser
SCRIPT = "<script>window.harmed=1</script><img src=x onerror=window.harmed=1>[x](javascript:window.harmed=1)"
PARTS = ("verdict", "likes", "dislikes", "disclosure", "obtained")


@pytest.fixture
def page(context: BrowserContext) -> Iterator[Page]:
    with empty_page(context) as made:
        yield made


def opened(page: Page, base: str) -> Page:
    page.goto(base + "/publish/1")
    expect(ready(page).locator("#draft-state button").first).to_be_visible()
    return page


def with_exhibits(page: Page) -> Page:
    """The page with its exhibits, asked for where an earlier test has not opened the data."""
    ask = page.get_by_role("button", name="Show the exhibits")
    expect(ask.or_(page.locator("#exhibits [data-key]").first).first).to_be_visible()
    if ask.is_visible():
        ask.click()
    expect(page.locator("#exhibits [data-key]").first).to_be_visible()
    return page


def keys(page: Page) -> list[str]:
    rows = page.locator("#exhibits [data-key]")
    return [rows.nth(k).get_attribute("data-key") or "" for k in range(rows.count())]


def published(page: Page) -> None:
    page.get_by_role("button", name="Publish the review").click()
    expect(page.locator("#confirm")).to_be_focused()
    page.get_by_role("button", name="Publish now").click()
    expect(page.locator("#publish-hint")).to_have_text("Published.")


def test_exhibits_are_shown_only_when_asked_while_the_data_are_closed(
    context: BrowserContext, reduced_archive: Path, tmp_path: Path
) -> None:
    archive = tmp_path / "archive"
    shutil.copytree(reduced_archive, archive)
    with running(archive) as bench:
        page = context.new_page()
        page.goto(bench.address)
        asked_for(page, bench.base)
        page.close()


def asked_for(page: Page, base: str) -> None:
    """Nothing is shown of closed data until it is asked for."""
    opened(page, base)
    expect(page.locator("#exhibits")).to_contain_text("The data of this loudspeaker have not been shown")
    assert keys(page) == []
    with_exhibits(page)
    assert "balance" in keys(page)


def test_words_are_previewed_saved_and_harmless(page: Page, base: str) -> None:
    opened(page, base)
    for part in PARTS:
        page.locator(f"#part-{part}").fill(f"**Loud** and {SCRIPT}")
    for part in PARTS:
        expect(page.locator(f"[data-preview={part}] strong")).to_have_text("Loud")
        expect(page.locator(f"[data-preview={part}] :is(script, img, [href^=javascript])")).to_have_count(0)
    expect(settled(page).locator("#draft-state")).to_contain_text("saved")
    expect(page.locator("#draft-state")).not_to_contain_text("not saved")
    opened(page, base)
    expect(page.locator("#part-likes")).to_have_value(f"**Loud** and {SCRIPT}")
    assert page.evaluate("window.harmed") is None


def test_exhibits_are_ordered_left_out_and_captioned_by_keyboard_and_published(
    page: Page, base: str, bench_archive: Path, context: BrowserContext
) -> None:
    with_exhibits(opened(page, base))
    for field, words in (("folder", "by-hand"), ("because", SCRIPT)):
        page.locator(f"#{field}").fill(words)
    before = keys(settled(page))
    page.locator("[data-key=in_room]").focus()
    page.keyboard.press("Alt+ArrowUp")
    expect(page.locator("[data-key=in_room]")).to_be_focused()
    assert keys(settled(page)).index("in_room") == before.index("in_room") - 1
    page.locator("[data-key=evenness]").focus()
    page.keyboard.press("Space")
    expect(page.locator("[data-key=evenness]")).to_have_class("left-out")
    page.locator("[data-key=balance]").focus()
    page.keyboard.press("Enter")
    page.keyboard.press("Control+a")
    page.keyboard.type(f"Rather even {SCRIPT}")
    page.keyboard.press("Escape")
    expect(page.locator("[data-key=balance] .caption.own")).to_contain_text("Rather even")
    page.locator("[data-product=talk]").check()
    published(page)

    folder = bench_archive / "publications" / "by-hand"
    text = (folder / "index.html").read_text()
    assert "Rather even" in text
    assert "Evenness: left out by the tester." in text
    assert 'id="figure-chart-evenness"' not in text
    assert "<script>window" not in text
    assert "<img src=x" not in text
    assert "Rather even" in (folder.with_name("by-hand-material") / "talk.md").read_text()
    expect(page.locator("#published")).to_contain_text(str(folder))
    expect(page.get_by_role("link", name="talk.md")).to_be_visible()

    with context.expect_page() as caught:
        page.get_by_role("link", name="Open the page").click()
    review = caught.value
    # A page that is still being opened cannot be loaded anew.
    expect(review.locator("h1")).to_contain_text("Causeway")
    faults: list[str] = []
    review.on("console", lambda line: faults.append(f"{line.text} {line.location}") if line.type == "error" else None)
    review.reload()
    expect(review.locator("h1")).to_contain_text("Causeway")
    expect(review.locator("figure.chart").first).to_be_visible()
    # The page's style and script were let in, and nothing else ran.
    assert review.evaluate("getComputedStyle(document.documentElement).getPropertyValue('--measured')") != ""
    expect(review.locator(".readout").first).not_to_be_empty()
    assert review.evaluate("window.harmed") is None
    # The one address that the browser asks for by itself.
    assert [fault for fault in faults if "favicon.ico" not in fault] == []
    review.close()
    page.get_by_role("button", name="Show it here").click()
    expect(page.frame_locator(".published-frame").locator("h1")).to_contain_text("Causeway")
    assert page.evaluate("window.harmed") is None


def test_a_button_cannot_be_pressed_before_it_does_anything(page: Page, base: str) -> None:
    """The draft is held back: until it is there nothing would come of a click."""
    with held_back(page, "**/api/drafts/**"):
        page.goto(base + "/publish/1")
        box = page.locator("#publish").bounding_box()
        assert box is not None
        page.mouse.click(box["x"] + 5, box["y"] + 5)
        page.locator("#part-verdict").evaluate("one => one.focus()")
        page.keyboard.type("lost")
    page.get_by_role("button", name="Publish the review").click()
    expect(page.locator("#confirm")).to_be_focused()
    expect(page.locator("#part-verdict")).to_have_value(re.compile("^(?!.*lost)"))


def test_drag_moves_an_exhibit_and_undo_brings_it_back(page: Page, base: str) -> None:
    with_exhibits(opened(page, base))
    before = keys(settled(page))
    page.locator("[data-key=findings]").scroll_into_view_if_needed()
    page.locator("[data-key=findings] .grip").drag_to(page.locator("[data-key=balance] .grip"))
    expect(page.locator("[data-key]").nth(before.index("balance"))).to_have_attribute("data-key", "findings")
    expect(page.locator("#draft-state")).not_to_contain_text("not saved")
    page.locator("h1").click()
    page.keyboard.press("Control+z")
    expect(page.locator("[data-key]").nth(before.index("balance"))).to_have_attribute("data-key", "balance")
    assert keys(settled(page)) == before


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 820])
def test_the_pages_are_accessible_and_fit(page: Page, base: str, scheme: str, width: int) -> None:
    """WCAG 2.2 level AA as far as axe-core checks it."""
    page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
    page.set_viewport_size({"width": width, "height": 900})
    for path in ("/publish", "/publish/1"):
        page.goto(base + path)
        if path.endswith("1"):
            with_exhibits(page)
            page.locator("[data-key=balance]").press("Enter")
            page.get_by_role("button", name="Publish the review").click()
        assert serious(settled(ready(page))) == [], path
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), path


def test_the_page_is_looked_at_before_anything_is_published(page: Page, base: str) -> None:
    """It has the words of now, and says once it is not current any more."""
    with_exhibits(opened(page, base))
    page.locator("#part-verdict").fill("Calm, and steady to the last.")
    expect(page.locator("#look")).to_be_enabled()
    page.locator("#look").press("Enter")
    told = page.locator("#look-told")
    expect(told).to_have_text("As it would be published now.")
    frame = page.frame_locator("#look-frame")
    expect(frame.locator("body")).to_contain_text("Calm, and steady to the last.")
    expect(frame.locator("figure.chart svg:visible").first).to_be_visible()
    assert serious(page) == []
    page.locator("#exhibits [data-key]").first.press("Space")
    expect(told).to_have_text("Changed since; preview it again.")
