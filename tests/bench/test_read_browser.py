"""The place Read in Chromium: evidence, marks, and a gate that is dragged, tried, used and undone."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from bench_browser import on_page
from playwright.sync_api import BrowserContext, Page, expect

from accessible import serious
from settled import settled

pytestmark = pytest.mark.browser


@pytest.fixture
def page(entered: tuple[BrowserContext, str]) -> Iterator[Page]:
    context, base = entered
    with on_page(context, f"{base}/read/1", "read") as made:
        yield made


def to_gate(page: Page) -> None:
    page.keyboard.press("s")
    expect(page.locator("#gate-chart svg")).to_be_visible()
    expect(page.locator("#tried p").first).to_be_visible()


def trace(page: Page) -> str | None:
    return page.locator("#ex-regate .trace[data-curve=after]:not(.outside)").first.get_attribute("d")


def test_a_number_opens_its_evidence_and_gives_the_keyboard_back(page: Page) -> None:
    number = page.get_by_role("button", name=re.compile("^Bass extension, 6 dB down"))
    number.focus()
    page.keyboard.press("Enter")
    drawer = page.get_by_role("complementary", name="Evidence")
    expect(drawer).to_contain_text("near field of")
    expect(drawer).to_contain_text("calibrator")
    page.keyboard.press("Escape")
    expect(drawer).to_be_hidden()
    expect(number).to_be_focused()


def test_marks_are_hidden_one_by_one_and_stay_so_after_a_reload(page: Page) -> None:
    marks = page.locator("#ex-balance text.mark-number", has_text=re.compile("^1$"))
    expect(marks.first).to_be_visible()
    page.get_by_label("Mark finding 1 on the curves").uncheck()
    expect(marks).to_have_count(0)
    page.reload()
    expect(page.get_by_label("Mark finding 1 on the curves")).not_to_be_checked()
    expect(marks).to_have_count(0)


def test_charts_are_drawn_as_they_come_into_view(page: Page) -> None:
    last = page.locator("#ex-trust")
    last.scroll_into_view_if_needed()
    expect(last.locator("svg.chart").first).to_be_visible()


def test_a_dragged_gate_redraws_the_curve_and_is_used_and_undone(page: Page) -> None:
    to_gate(page)
    kept = trace(settled(page))
    handle = page.locator("#gate-chart .handle")
    handle.scroll_into_view_if_needed()
    box = handle.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + 8, box["y"] + 8)
    page.mouse.down()
    page.mouse.move(box["x"] - 30, box["y"] + 8, steps=4)
    page.mouse.up()
    expect(page.locator("#tried")).to_contain_text("Tried:")
    settled(page)
    assert float(page.locator("#gate_ms").input_value()) < 5.0
    page.locator("#gate_ms").fill("3")
    expect(page.locator("#tried")).to_contain_text("Gate: 3.0 ms, far field holds above 400")
    settled(page)
    assert trace(page) != kept
    page.get_by_role("button", name="Use these settings").click()
    expect(page.locator("#kept-words")).to_contain_text("gate after the direct sound 3 ms")
    to_gate(page)
    page.locator("#undo-settings").click()
    expect(page.locator("#kept-words")).to_contain_text("all automatic")


def test_the_numbers_of_the_tried_curve_are_its_own(page: Page) -> None:
    to_gate(page)
    page.locator("#ex-regate details summary").click()
    row = page.locator("#ex-regate details tbody tr", has_text=re.compile("^1.kHz")).locator("td")
    expect(row.nth(1)).to_have_text(row.nth(0).inner_text())
    # Less than a period fits into the gate: there is nothing at 1 kHz.
    page.locator("#gate_ms").fill("0.8")
    expect(row.nth(1)).to_have_text("not valid")
    page.locator("#gate_ms").fill("2.5")
    expect(row.nth(1)).to_have_text(re.compile(r"^\d+(\.\d)? ± \d"))
    kept, tried = (float(cell.inner_text().split("±")[1]) for cell in (row.nth(0), row.nth(1)))
    # Told to a tenth of a decibel, which both may round to.
    assert tried >= kept


def test_a_slider_moves_by_the_keyboard_and_goes_back_to_automatic(page: Page) -> None:
    to_gate(page)
    page.get_by_label("Gate after the direct sound, slider").focus()
    page.keyboard.press("ArrowLeft")
    expect(page.locator("#use-settings")).to_be_enabled()
    page.get_by_role("button", name="Gate after the direct sound: automatic").click()
    expect(page.locator("#use-settings")).to_be_disabled()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_is_accessible(page: Page, scheme: str) -> None:
    page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
    to_gate(page)
    page.locator("button.number").first.click()
    expect(page.locator("#drawer")).to_be_visible()
    assert serious(settled(page)) == []


def test_on_paper_stands_the_reading_and_not_what_works_it(page: Page) -> None:
    page.emulate_media(media="print")
    expect(page.locator("h1")).to_be_visible()
    expect(page.locator("#in-hand")).to_be_visible()
    expect(page.locator("#figures .number").first).to_be_visible()
    for gone in (".rail", ".tools", ".contents", "#use-settings", "#marks-all"):
        expect(page.locator(gone)).to_be_hidden()


def test_a_name_without_a_gap_fits_a_tablet(page: Page) -> None:
    page.set_viewport_size({"width": 820, "height": 1180})
    page.locator("h1").evaluate("one => (one.textContent = 'Extraordinarily'.repeat(20))")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_it_fits_a_tablet(page: Page) -> None:
    page.set_viewport_size({"width": 820, "height": 1180})
    to_gate(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= 820


def test_figures_are_found_by_words_and_refusals_unfold(page: Page) -> None:
    assert page.locator("#figures-table tr.group").count() >= 5
    refused = page.locator("#figures-refused")
    expect(refused).not_to_have_attribute("open", "")
    page.locator("#figures-search").fill("closed box")
    expect(refused).to_have_attribute("open", "")
    expect(refused).to_contain_text("nothing, unless the enclosure is closed")
    expect(page.locator("#figures-table tr:visible")).to_have_count(1)
    expect(page.locator("#figures-found")).to_have_text("4 figures")
    page.locator("#figures-search").fill("")
    expect(page.locator("#figures-table tr:visible").nth(30)).to_be_visible()


def test_a_link_of_the_contents_lands_where_it_says(page: Page) -> None:
    """Charts above are drawn on the way and push it down: it is held until they are there."""
    page.locator(".contents").get_by_role("link", name="Figures").click()
    lies = "() => { const top = document.querySelector('#figures').getBoundingClientRect().top; "
    lies += "return 0 <= top && top < 120; }"
    page.wait_for_function(lies)
    # Once all charts on the way are drawn it lies there still.
    settled(page)
    page.wait_for_function(lies)


def test_escape_closes_the_keys(page: Page) -> None:
    page.keyboard.press("?")
    expect(page.locator("#keys")).to_be_visible()
    page.keyboard.press("Escape")
    expect(page.locator("#keys")).not_to_be_visible()
