"""The index of a site in Chromium, opened from disk: search, sort, filters and comparison by keyboard, accessible."""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from accessible import serious
from earwitness.app.site import publish_site
from earwitness.publish.site.index import cards_from, index_html, index_js
from made_once import MadeOnce

pytestmark = pytest.mark.browser
COUNT = 5


@pytest.fixture(scope="module")
def site(made_once: MadeOnce, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("index")
    shutil.copytree(made_once.catalogue(COUNT), folder / "archive")
    return publish_site(folder / "site", folder / "archive").page


@pytest.fixture
def page(browser: Browser, site: Path) -> Iterator[Page]:
    made = browser.new_page(viewport={"width": 1280, "height": 900})
    faults: list[str] = []
    asked: list[str] = []
    made.on("pageerror", lambda error: faults.append(str(error)))
    made.on("request", lambda request: asked.append(request.url))
    made.goto(site.as_uri())
    yield made
    assert faults == []
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []
    made.close()


def titles(page: Page) -> list[str]:
    return page.locator("#rows tbody th a").all_inner_texts()


def test_words_type_and_price_narrow_the_list(page: Page, site: Path) -> None:
    cards = cards_from((site.parent / "site.json").read_text(), where="")
    assert len(titles(page)) == COUNT
    page.get_by_label("Words").fill("cinder")
    assert titles(page) == [c.title for c in cards if "Cinder" in c.title]
    assert page.locator("#told").inner_text() == f"1 of {COUNT} loudspeakers"
    page.get_by_label("Words").fill("")
    page.get_by_label("Type").select_option("stand-mount")
    assert sorted(titles(page)) == sorted(c.title for c in cards if c.type == "stand-mount")
    page.get_by_role("button", name="Clear").click()
    page.get_by_label("Price from").fill("1000")
    assert sorted(titles(page)) == sorted(c.title for c in cards if c.price is not None and c.price >= 1000)


def test_sorting_by_keyboard_goes_by_number_and_says_so(page: Page, site: Path) -> None:
    cards = cards_from((site.parent / "site.json").read_text(), where="")
    by_price = [c.title for c in sorted(cards, key=lambda c: c.price or 0.0)]
    page.get_by_role("button", name="Price of a pair").focus()
    page.keyboard.press("Enter")
    assert titles(page) == by_price
    assert page.locator("th[data-sort=price]").get_attribute("aria-sort") == "ascending"
    page.keyboard.press("Enter")
    assert titles(page) == by_price[::-1]
    assert page.locator("th[data-sort=price]").get_attribute("aria-sort") == "descending"
    page.get_by_role("button", name="Sensitivity").focus()
    page.keyboard.press("Space")
    rated = sorted(cards, key=lambda c: -c.figures["sensitivity"][0])
    assert titles(page) == [c.title for c in rated]


def test_rows_have_a_tiny_curve_aligned_decimals_and_filters(page: Page, site: Path) -> None:
    cards = {c.title: c for c in cards_from((site.parent / "site.json").read_text(), where="")}
    rows = page.locator("#rows tbody tr")
    assert rows.locator("svg path:not(.mean)").count() == COUNT
    ends = rows.locator("td[data-name=Sensitivity] .whole").evaluate_all(
        "(all) => all.map((e) => Math.round(e.getBoundingClientRect().right))"
    )
    assert len(set(ends)) == 1
    lows = sorted(c.figures["f6"][0] for c in cards.values())
    page.get_by_label("Bass to at most").fill(str(lows[1]))
    assert sorted(titles(page)) == sorted(t for t, c in cards.items() if c.figures["f6"][0] <= lows[1])
    page.get_by_role("button", name="Clear").click()
    # The form is cleared first, the list follows at once after it.
    expect(page.locator("#rows tbody tr:visible")).to_have_count(COUNT)
    assert len(titles(page)) == COUNT


def test_comparison_stands_below_the_list_and_says_what_is_better(page: Page, site: Path) -> None:
    cards = {c.title: c for c in cards_from((site.parent / "site.json").read_text(), where="")}
    boxes = page.locator("#rows input[type=checkbox]")
    boxes.nth(0).check()
    boxes.nth(1).check()
    list_end = page.locator("#rows").evaluate("(e) => e.getBoundingClientRect().bottom")
    assert page.locator("#compare").evaluate("(e) => e.getBoundingClientRect().top") >= list_end
    assert page.get_by_role("link", name="Compare the 2 chosen below").count() == 1
    a, b = (cards[t].figures["f6"] for t in titles(page)[:2])
    cell = page.locator("#compared tbody tr", has_text="F6").locator("td").nth(1).inner_text()
    if "≠" in cell:
        # Deeper bass is a lower frequency: better.
        assert ("better" in cell) == (b[0] < a[0])
        assert ("worse" in cell) == (b[0] > a[0])
    tilt = page.locator("#compared tbody tr", has_text="Tilt").locator("td").nth(1).inner_text()
    assert "better" not in tilt
    assert "worse" not in tilt


def test_two_are_compared_by_keyboard_with_curves_and_marked_differences(page: Page, site: Path) -> None:
    cards = {c.title: c for c in cards_from((site.parent / "site.json").read_text(), where="")}
    for row in (0, 1):
        page.locator("#rows input[type=checkbox]").nth(row).focus()
        page.keyboard.press("Space")
    page.wait_for_selector("#compared svg")
    page.wait_for_function("document.querySelectorAll('#compared svg').length === 3")
    assert page.locator("#compared figcaption").first.inner_text().endswith("level-matched from 300 Hz to 3 kHz")
    first, second = titles(page)[:2]
    a, b = (cards[t].figures["sensitivity"] for t in (first, second))
    low, high = sorted((a, b))
    is_beyond = high[0] - low[0] > ((low[2] - low[0]) ** 2 + (high[0] - high[1]) ** 2) ** 0.5
    cell = page.locator("#compared tbody tr", has_text="Sensitivity").locator("td").nth(1)
    assert ("≠" in cell.inner_text()) == is_beyond
    assert serious(page) == []


def test_no_more_than_four_can_be_chosen(page: Page) -> None:
    for row in range(4):
        page.locator("#rows input[type=checkbox]").nth(row).check()
    assert page.locator("#rows input[type=checkbox]").nth(4).is_disabled()
    page.locator("#rows input[type=checkbox]").nth(0).uncheck()
    assert page.locator("#rows input[type=checkbox]").nth(4).is_enabled()


@pytest.mark.parametrize("width", [390, 1280])
@pytest.mark.parametrize("theme", ["light", "dark"])
def test_the_index_is_accessible_and_does_not_scroll_sideways(
    browser: Browser, site: Path, width: int, theme: str
) -> None:
    """WCAG 2.2 AA as far as axe-core can tell."""
    page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=theme)
    for name in ("index.html", "corrections.html", "all.html"):
        page.goto((site.parent / name).as_uri())
        assert serious(page) == []
        assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    page.close()


def test_without_script_the_list_is_there(browser: Browser, site: Path) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(site.as_uri())
    assert len(titles(page)) == COUNT
    assert page.locator("#ask").is_hidden()
    context.close()


@pytest.mark.parametrize("count", [1000, 10_000])
def test_many_loudspeakers_are_searched_without_waiting(
    browser: Browser, site: Path, tmp_path: Path, count: int
) -> None:
    """Interactive under 1 s with 1,000, usable with 10,000 (each answer under a second)."""
    from dataclasses import replace

    base = cards_from((site.parent / "site.json").read_text(), where="")
    cards = [
        replace(base[n % COUNT], address=f"a-{n}", title=f"{base[n % COUNT].title} no {n}", price=float(100 + n))
        for n in range(count)
    ]
    (tmp_path / "index.html").write_text(index_html(cards, title="Many", base_url=""), encoding="utf-8")
    (tmp_path / "index-data.js").write_text(index_js(cards, title="Many"), encoding="utf-8")
    for name in ("index.js", "index.css"):
        (tmp_path / name).write_bytes((site.parent / name).read_bytes())
    page = browser.new_page()
    began = time.monotonic()
    page.goto((tmp_path / "index.html").as_uri())
    page.wait_for_selector("th[data-sort=title] button")
    print(f"index of {count}: interactive after {time.monotonic() - began:.2f} s")
    began = time.monotonic()
    page.get_by_label("Words").fill(f"no {count - 1}")
    page.wait_for_function("document.getElementById('told').textContent.startsWith('1 of')")
    print(f"index of {count}: a search answered after {time.monotonic() - began:.2f} s")
    page.close()


def test_on_a_phone_nothing_scrolls_sideways_and_the_list_stays_a_table(page: Page) -> None:
    page.set_viewport_size({"width": 390, "height": 800})
    wide = page.evaluate(
        "[document.documentElement, ...document.querySelectorAll('.table-scroll')]"
        ".map((one) => one.scrollWidth - one.clientWidth)"
    )
    assert wide == [0] * len(wide)
    assert page.get_by_role("row").count() == COUNT + 1
    assert page.get_by_role("rowheader").count() == COUNT
    box = page.locator("#rows input").first
    box.check()
    assert box.is_checked()
