"""The published page in a real browser, opened from disk: no network, no fault, accessible in every dress."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from accessible import serious
from earwitness.app.listen import seal_sheet
from earwitness.app.publish import publish_review
from earwitness.app.settings import keep_text
from earwitness.demo.rig import SEALED_AT, words_text, write_sheet
from made_once import QUICK_KEYS, MadeOnce

pytestmark = pytest.mark.browser


# Own choice: a stranger reads about 200 words a minute, so that 900 are under five minutes.
MOST_WORDS, MOST_CHARTS, MOST_BOLD_WORDS, MOST_BYTES = 900, 8, 25, 900_000
WORDS = """(root) => {
  const walk = document.createTreeWalker(root, NodeFilter.SHOW_TEXT), found = [];
  while (walk.nextNode()) {
    const node = walk.currentNode, parent = node.parentElement;
    if (parent.closest("svg, script, .hidden, .skip") || !parent.checkVisibility()) continue;
    found.push(...node.textContent.split(/[ \\n]+/).filter((word) => /[0-9A-Za-z]/.test(word)));
  }
  return found;
}"""


@pytest.fixture(scope="module")
def page_path(made_once: MadeOnce, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The review of a short demo session that has findings, notes of listening and a verdict."""
    folder = tmp_path_factory.mktemp("page")
    shutil.copytree(made_once.archive(*QUICK_KEYS), folder / "archive")
    seal_sheet(write_sheet("causeway", folder / "notes"), folder / "archive", clock=lambda: SEALED_AT)
    keep_text("causeway", words_text("causeway"), folder / "archive")
    return publish_review("causeway", folder / "review", folder / "archive").page


def bottom_px(page: Page, selector: str) -> float:
    return float(page.locator(selector).first.evaluate("(e) => e.getBoundingClientRect().bottom + scrollY"))


def test_the_first_screen_holds_verdict_figures_score_and_balance(browser: Browser, page_path: Path) -> None:
    """1440 x 900 and 390 x 844: a desk's and a phone's window; on the phone the figures end in it."""
    page = browser.new_page(viewport={"width": 1440, "height": 900})
    page.goto(page_path.as_uri())
    assert page.locator("#verdict").inner_text().startswith("Deep, easy bass")
    assert page.locator(".headlines li").count() == 6
    assert page.locator(".first svg:visible .lane-name").all_text_contents() == ["Heard", "Measured", "Mended"]
    assert bottom_px(page, ".first .finding") <= 900
    assert bottom_px(page, ".headlines") <= 900
    # A line of the score stands over the frequencies it speaks of: the planted resonance at 6.5 kHz.
    drawing = page.locator(".first svg:visible")
    spot = drawing.locator(".span.mended.holds").last.bounding_box()
    dot = drawing.locator(".mark-dot").evaluate_all("(all) => all.map((e) => e.getBoundingClientRect().x)")
    assert spot is not None
    assert any(spot["x"] - 8 <= x <= spot["x"] + spot["width"] for x in dot)
    page.set_viewport_size({"width": 390, "height": 844})
    assert bottom_px(page, ".headlines") <= 844
    page.close()


def test_the_page_is_read_in_five_minutes(browser: Browser, page_path: Path) -> None:
    page = browser.new_page(viewport={"width": 1440, "height": 900})
    page.goto(page_path.as_uri())
    assert len(page.locator("body").evaluate(WORDS)) <= MOST_WORDS
    assert 5 <= page.locator("figure.chart:visible").count() <= MOST_CHARTS
    for finding in page.locator("figcaption .finding").all_text_contents():
        # A value with its unit, held together by no-break spaces, is one word.
        assert len(re.split("[ \n]+", finding.strip())) <= MOST_BOLD_WORDS, finding
    assert page_path.stat().st_size <= MOST_BYTES
    assert page.evaluate("document.querySelectorAll('svg').length > 40")
    page.close()


def test_without_a_script_the_measurements_open_on_a_link_into_them(browser: Browser, page_path: Path) -> None:
    context = browser.new_context(java_script_enabled=False, viewport={"width": 320, "height": 700})
    page = context.new_page()
    page.goto(page_path.as_uri())
    expect(page.locator("#figures")).not_to_be_visible()
    page.goto(f"{page_path.as_uri()}#figures")
    expect(page.locator("#figures-title")).to_be_in_viewport()
    context.close()


def test_no_sideways_scroll_at_320_with_everything_open(browser: Browser, page_path: Path) -> None:
    """WCAG 2.2, 1.4.10 Reflow: 320 CSS px."""
    page = browser.new_page(viewport={"width": 320, "height": 700})
    page.goto(page_path.as_uri())
    page.locator("#all").evaluate("(e) => { e.open = true; }")
    assert page.evaluate("document.documentElement.scrollWidth") <= 320
    page.close()


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
    if (width, theme) == (1280, "light"):
        # Once with all that is folded, which takes long.
        page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
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


def test_the_print_is_short_filled_and_without_lone_headings(browser: Browser, page_path: Path, tmp_path: Path) -> None:
    """A4 from Chromium, read by poppler. Own choice of limits: what is folded away is not printed."""
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.goto(page_path.as_uri())
    page.pdf(path=tmp_path / "print.pdf", format="A4")
    headings = [text.strip() for text in page.locator(":is(h2, h3):visible").all_inner_texts()]
    page.close()
    laid = ["pdftotext", "-layout", str(tmp_path / "print.pdf"), "-"]
    pages = subprocess.run(laid, check=True, capture_output=True, text=True).stdout.split("\f")[:-1]
    assert len(pages) <= 8
    assert "were folded" in pages[-1]
    # Nothing is printed that only a screen can do.
    assert not any(re.search(r"^\W*(Tools|Numbers)\b", page, re.MULTILINE) for page in pages)
    boxes = ["pdftotext", "-bbox", str(tmp_path / "print.pdf"), "-"]
    parted = subprocess.run(boxes, check=True, capture_output=True, text=True).stdout.split("<page ")[1:]
    for number, (text, box) in enumerate(zip(pages[:-1], parted, strict=False), 1):
        height = float(re.search(r'height="([\d.]+)"', box)[1])
        lowest = max(float(y) for y in re.findall(r'yMax="([\d.]+)"', box))
        assert lowest >= (0.8 if number == 1 else 0.5) * height, f"page {number} is left empty"
        assert len(text.split()) >= 60, f"page {number} is left empty"
        last = [line.strip() for line in text.splitlines() if line.strip()][-1]
        assert last not in headings, f"a heading stands alone at the end of page {number}"


def test_questions_are_answered_on_the_page_and_left_out_without_a_script(browser: Browser, page_path: Path) -> None:
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.goto(page_path.as_uri())
    page.locator("#questions > summary").click()
    form = page.locator("form[data-asks=amplifier]")
    before = form.locator("output").inner_text()
    assert re.search(r"Up to [\d.]+ ± [\d.]+ dB: (current|voltage) runs out first", before)
    form.get_by_label("Distance").fill("6")
    levels = [float(re.search(r"Up to ([\d.]+)", text)[1]) for text in (before, form.locator("output").inner_text())]
    # Free field: half the level, 6.02 dB, at twice the distance.
    assert levels[0] - levels[1] == pytest.approx(6.0, abs=0.11)
    form.get_by_label("Distance").fill("")
    assert "missing" in form.locator("output").inner_text()
    page.close()
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(page_path.as_uri())
    page.locator("#questions > summary").click()
    assert not page.locator("form.calculator:visible").count()
    expect(page.get_by_text("With JavaScript, this page answers")).to_be_visible()
    context.close()
