"""The comparison on a site's index, in Chromium: names that begin alike stay apart, on a desk and on a phone."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from earwitness.publish.site.index import (
    COLUMNS,
    COMPARED,
    Card,
    grid_hz,
    index_css,
    index_html,
    index_js,
    index_script,
)

pytestmark = pytest.mark.browser
NAMES = ("One", "Two", "Three", "Four")
# As they are printed, with ranges where they are not the same up and down.
WORDS = tuple(
    words.replace(" to ", "\N{NO-BREAK SPACE}to\N{NO-BREAK SPACE}").replace(") ", ")\N{NO-BREAK SPACE}")
    for words in (
        "85.9 (85.1 to 86.4) dB",
        "39 (38 to 41) Hz",
        "0.4 (0.2 to 0.8) dB",
        "−0.48 (−0.62 to −0.32) dB/oct",
        "at least 101.4 (100.9 to 102.6) dB",
    )
)
MAKER = "Lapwing and Daughters of Upper Invention"


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four of one maker with a long name, each with a range in brackets in every column, and their curves."""
    folder = tmp_path_factory.mktemp("alike")
    figures = {key: (1.0, 0.9, 1.2, "dB", "", words) for (key, *_), words in zip(COLUMNS, WORDS, strict=True)}
    cards = [
        Card(name.lower(), name.lower(), f"{MAKER} {name} (invented)", "stand-mount", 1000.0, "EUR", "2026-03-02", "1",
             "2026-03-02T00:00:00+00:00", True, "", "", figures)
        for name in NAMES
    ]  # fmt: skip
    for place, card in enumerate(cards):
        own = folder / "loudspeakers" / card.address
        own.mkdir(parents=True)
        levels = [[float(place)] * grid_hz().size, [0.3] * grid_hz().size]
        text = json.dumps({"address": card.address, "curves": {key: levels for key, _ in COMPARED}})
        (own / "compare.js").write_text(f"earwitnessCurves({text});\n")
    (folder / "index.html").write_text(index_html(cards, title="Invented", base_url=""), encoding="utf-8")
    (folder / "index.css").write_text(index_css(), encoding="utf-8")
    (folder / "index.js").write_text(index_script(), encoding="utf-8")
    (folder / "index-data.js").write_text(index_js(cards, title="Invented"), encoding="utf-8")
    return folder / "index.html"


def compared(browser: Browser, site: Path, width: int) -> Page:
    page = browser.new_page(viewport={"width": width, "height": 900})
    page.goto(site.as_uri())
    for place in range(len(NAMES)):
        page.locator("#rows input[type=checkbox]").nth(place).check()
    page.wait_for_function("document.querySelectorAll('#compared svg').length === 2")
    return page


@pytest.mark.parametrize("width", [1280, 390])
def test_curves_are_named_apart_and_nothing_is_cut(browser: Browser, site: Path, width: int) -> None:
    page = compared(browser, site, width)
    heads = page.locator("#compared thead th").all_inner_texts()
    shown = page.locator("#compared svg").first.locator("text.name").all_text_contents()
    assert [head[:2] for head in heads[1:]] == ["A:", "B:", "C:", "D:"]
    assert sorted(name[0] for name in shown) == ["A", "B", "C", "D"]
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    over = page.evaluate(
        """[...document.querySelectorAll("#compared svg text")].filter((text) => {
          const [own, all] = [text.getBoundingClientRect(), text.ownerSVGElement.getBoundingClientRect()];
          return own.right > all.right + 1 || own.left < all.left - 1 || own.bottom > all.bottom + 1;
        }).map((text) => text.textContent)"""
    )
    assert over == []
    # Words of 12 px in the drawing are no smaller than 9 px on the screen.
    height = page.evaluate("document.querySelector('#compared svg text').getBoundingClientRect().height")
    assert height > 10.0
    assert {"dB", "Hz"} <= set(page.locator("#compared svg").first.locator("text").all_text_contents())
    page.close()


def test_every_column_of_the_list_is_seen_on_a_desk(browser: Browser, site: Path) -> None:
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.goto(site.as_uri())
    table = page.locator(".table-scroll").last
    assert table.evaluate("around => around.scrollWidth - around.clientWidth") <= 1
    page.close()
