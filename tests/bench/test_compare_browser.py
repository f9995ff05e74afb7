"""The place Compare in Chromium: filters, sorting, overlays and groups that outlive a reload."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from dataclasses import asdict

import pytest
from bench_browser import entered_browser, on_page
from playwright.sync_api import Browser, BrowserContext, Page, expect

from accessible import serious
from earwitness.app.add import add_catalogue
from earwitness.app.shelf import browse_catalogue, index_missing
from earwitness.archive.catalogue import Archive
from earwitness.archive.search import SearchQuery
from earwitness.demo.catalogue import catalogue, session_of, simulate, write_note
from earwitness.reduce.plan import ReduceSettings
from settled import page_until, ready, settled

pytestmark = pytest.mark.browser
HOSTILE = "<script>document.body.remove()</script>"
COUNT = 5


@pytest.fixture(scope="module")
def entered(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[BrowserContext, str]]:
    folder = tmp_path_factory.mktemp("shelf")
    add_catalogue(folder / "archive", count=COUNT)
    # One of its own: an equal measurement would be kept with the first.
    one = catalogue(COUNT + 1)[-1]
    write_note(one, folder / "note")
    session = session_of(one)
    spoken = session.loudspeaker.model_copy(update={"name": HOSTILE})
    with Archive.open(folder / "archive") as archive:
        added = archive.add_session(session.model_copy(update={"loudspeaker": spoken}), folder / "note")
        archive.keep_measurement(added.session_id, simulate(one, asdict(ReduceSettings())))
    index_missing(folder / "archive")
    browse_catalogue(SearchQuery(), folder / "archive", open_all=True)
    with entered_browser(browser, folder / "archive") as made:
        yield made


@pytest.fixture
def page(entered: tuple[BrowserContext, str]) -> Iterator[Page]:
    context, base = entered
    with on_page(context, f"{base}/compare", "compare") as made:
        expect(made.locator("#shelf-rows tr")).to_have_count(COUNT + 1)
        yield made


def test_the_first_view_needs_no_act_and_says_how_long_it_took(entered: tuple[BrowserContext, str]) -> None:
    context, base = entered
    begun = time.perf_counter()
    with on_page(context, f"{base}/compare", "compare") as page:
        page.locator("#shelf-rows tr").first.wait_for()
        print(f"first view of the catalogue: {time.perf_counter() - begun:.2f} s")
        assert page.locator("#shelf-rows tr").count() > 1


def test_a_hostile_name_stays_text(page: Page) -> None:
    row = page.locator("#shelf-rows tr", has_text=HOSTILE)
    expect(row).to_have_count(1)
    row.get_by_role("checkbox").check()
    expect(page.locator("#chosen")).to_contain_text(HOSTILE)
    expect(page.locator("#ranks-body")).to_contain_text(HOSTILE)


def test_filters_columns_and_sorting_outlive_a_reload(page: Page) -> None:
    page.get_by_label("Type").select_option("stand-mount")
    kind = sum(one.type == "stand-mount" for one in catalogue(COUNT + 1))
    expect(page.locator("#shelf-rows tr")).to_have_count(kind)
    page.get_by_text("Columns", exact=True).click()
    page.get_by_role("checkbox", name="Bass extension, 3 dB down (F3)").check()
    page.get_by_role("button", name=re.compile("^F3")).click()
    expect(page.locator("th[aria-sort=descending]")).to_contain_text("F3")
    before = settled(page).locator("#shelf-rows").inner_text()
    page.reload()
    expect(page.locator("th[aria-sort=descending]")).to_contain_text("F3")
    expect(page.locator("#shelf-rows tr")).to_have_count(kind)
    assert settled(page).locator("#shelf-rows").inner_text() == before


def test_a_figure_filter_narrows_the_list(page: Page) -> None:
    page.locator("#add-range").select_option("f6")
    page.keyboard.type("1000")
    expect(page.locator("#found")).to_contain_text("No loudspeaker fits")
    page.get_by_role("button", name="Remove the filter").click()
    expect(page.locator("#shelf-rows tr")).to_have_count(COUNT + 1)


def test_two_are_laid_over_each_other_and_saved_as_a_group(page: Page) -> None:
    boxes = page.locator("#shelf-rows input[type=checkbox]")
    boxes.nth(0).check()
    expect(page.locator("#lay")).to_be_disabled()
    boxes.nth(1).check()
    page.keyboard.press("l")
    expect(page.locator("#beside figure.chart")).to_have_count(2)
    expect(page.locator("#beside")).to_contain_text("Figures beside each other")
    page.get_by_label("Name").fill("a pair")
    page.get_by_role("button", name="Save as a group").click()
    expect(page.locator("#draft-state")).to_have_text(re.compile(r"^\s*saved"))
    page.goto(page.url.split("?")[0])
    page.get_by_role("link", name="a pair").click()
    expect(page.locator("#beside figure.chart")).to_have_count(2)


def test_a_change_whose_saving_the_leaving_page_breaks_off_is_kept(page: Page) -> None:
    """The first request of the page is held and never sent on, as a browser that leaves may do."""
    held: list[str] = []
    page.evaluate(
        """() => { const send = window.fetch; window.fetch = (url, how) =>
        how?.method === "PUT" && !how.keepalive
          ? new Promise(() => { globalThis.swallowed = 1 + (globalThis.swallowed || 0); }) : send(url, how); }"""
    )
    page.on("request", lambda one: held.append(one.url) if one.method == "PUT" else None)
    boxes = page.locator("#shelf-rows input[type=checkbox]")
    boxes.nth(0).check()
    boxes.nth(1).check()
    page.get_by_label("Name").fill("left at once")
    page.get_by_role("button", name="Save as a group").click()
    # Its saving has begun, and goes nowhere.
    expect(page.locator("#draft-state")).to_contain_text("not saved yet")
    page.wait_for_function("() => globalThis.swallowed > 0")
    assert not held
    address = page.url.split("?")[0]
    page.goto("about:blank")

    def is_kept() -> int:
        page.goto(address)
        return settled(ready(page)).get_by_role("link", name="left at once").count()

    # What a leaving page sends may arrive after what the next one asks for.
    page_until(page, is_kept)


def test_the_price_chart_chooses_by_a_click(page: Page) -> None:
    dot = page.locator("#price-chart .dot").first
    dot.click()
    expect(page.locator("#chosen .chip")).to_have_count(1)
    expect(page.locator("#price-read")).to_contain_text("EUR")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_is_accessible(page: Page, scheme: str) -> None:
    page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
    boxes = page.locator("#shelf-rows input[type=checkbox]")
    boxes.nth(0).check()
    boxes.nth(1).check()
    page.locator("#lay").click()
    expect(page.locator("#beside figure.chart")).to_have_count(2)
    # What lies half under the bar of a page that was scrolled is no small target.
    settled(page).evaluate("scrollTo(0, 0)")
    assert serious(page) == []


def test_it_fits_a_tablet(page: Page) -> None:
    page.set_viewport_size({"width": 820, "height": 1180})
    assert settled(page).evaluate("document.documentElement.scrollWidth") <= 820
