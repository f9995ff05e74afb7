"""Charts in a real browser, opened from a file: keyboard, pointer, redrawing, themes, and axe-core's rules."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser, Page, expect

from accessible import serious
from earwitness.exhibits.chart import Caption, Chart, ChartRegion, Mark, Panel, Table, Trace
from earwitness.quantities import Curve, DirectivityMap, log_axis
from earwitness.render.html import chart_script, figure_html, table_html
from earwitness.render.theme import theme_css

pytestmark = pytest.mark.browser
AXIS = log_axis(20.0, 20_000.0, 48)


def curve(key: str, level_db: float) -> Curve:
    values, u = level_db + np.log2(AXIS.hz / 1000.0), np.full(AXIS.hz.shape, 0.3)
    return Curve(key, key, AXIS, values, u, np.zeros_like(u), AXIS.hz >= 60.0, "dB", "dB SPL")


def charts() -> tuple[Chart, Chart]:
    traces = (
        Trace(curve("on_axis", 85.0), "direct", "on axis", ribbon=True),
        Trace(curve("sound_power", 80.0), "all directions", "sound in all directions (sound power)"),
    )
    regions = (ChartRegion("heard", 200.0, 400.0, label="thick"), ChartRegion("splice", 150.0, 300.0, label="joined"))
    panel = Panel("Level", "dB", 60.0, 95.0, 5.0, traces, regions, (Mark(1, 1000.0, 85.0, "An invented finding."),))
    angle_deg = np.arange(-170.0, 181.0, 10.0)
    level_db = -np.abs(angle_deg)[:, None] / 10 + 0 * AXIS.hz
    shown = DirectivityMap("horizontal", AXIS, angle_deg, level_db, level_db > -99, "on axis")
    edge = replace(curve("edge", 45.0), unit="deg")
    across = Panel("Angle", "degrees", -180.0, 180.0, 60.0, map=shown, map_edges=(edge,), db_per_decade=None)
    caption = Caption("It tilts.", "Read it so.")
    return Chart("one", "Balance", "invented", caption, (panel,)), Chart("two", "Across", "", caption, (across,))


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> str:
    folder: Path = tmp_path_factory.mktemp("page")
    table = Table("t", "Figures", ("figure", "value"), ("left", "right"), (("sensitivity", "85.0 ± 0.3 dB"),))
    body = "".join(figure_html(chart, 900) for chart in charts()) + table_html(table)
    (folder / "chart.js").write_text(chart_script(), encoding="utf-8")
    page = (
        '<!doctype html><html lang="en"><meta charset="utf-8"><title>An invented loudspeaker</title>'
        '<meta name="viewport" content="width=device-width"><link rel="icon" href="data:,">'
        f"<style>{theme_css()}body{{margin:8px;background:var(--paper);color:var(--ink)}}</style>"
        f'<main><h1>An invented loudspeaker</h1>{body}</main><script src="chart.js"></script></html>'
    )
    (folder / "index.html").write_text(page, encoding="utf-8")
    return (folder / "index.html").as_uri()


def opened(browser: Browser, address: str, *, width_px: int = 1000, theme: str = "light") -> Page:
    page = browser.new_page(viewport={"width": width_px, "height": 900})
    page.on("pageerror", lambda error: pytest.fail(f"script error: {error}"))
    page.emulate_media(color_scheme="dark" if theme == "dark" else "light")
    page.goto(address)
    return page


def spoken(page: Page) -> str:
    return page.locator(".readout").first.get_attribute("aria-valuetext") or ""


def test_keys_read_every_curve_at_one_frequency(browser: Browser, address: str) -> None:
    # WAI-ARIA 1.2, slider, and the keys of the ARIA Authoring Practices: arrows, Page Up and Down, Home, End.
    page = opened(browser, address)
    line = page.locator(".readout").first
    line.focus()
    assert line.get_attribute("role") == "slider"
    assert spoken(page) == "1 kHz, on axis 85.0 dB, sound in all directions (sound power) 80.0 dB"
    page.keyboard.press("PageUp")
    assert spoken(page) == "2 kHz, on axis 86.0 dB, sound in all directions (sound power) 81.0 dB"
    page.keyboard.press("PageDown")
    page.keyboard.press("PageDown")
    assert spoken(page).startswith("500 Hz, on axis 84.0 dB")
    page.keyboard.press("ArrowRight")
    assert spoken(page).startswith("530 Hz, on axis 84.1 dB")  # 500 * 2**(1/12) = 529.7
    page.keyboard.press("Home")
    assert "(not valid)" in spoken(page)
    assert line.get_attribute("aria-valuenow") == line.get_attribute("aria-valuemin")
    page.keyboard.press("End")
    assert line.get_attribute("aria-valuenow") == line.get_attribute("aria-valuemax")
    assert "dB" in line.inner_text()
    page.keyboard.press("Escape")
    assert "dB" not in line.inner_text()
    page.close()


def test_the_pointer_reads_where_it_is(browser: Browser, address: str) -> None:
    page = opened(browser, address)
    plot = page.locator(".drawing.wide rect.plot").first.bounding_box()
    assert plot is not None
    page.mouse.move(plot["x"] + plot["width"] / 3, plot["y"] + 20)
    assert spoken(page).startswith("200 Hz") or spoken(page).startswith("199 Hz") or spoken(page).startswith("198 Hz")
    assert "on axis 82.7 dB" in page.locator(".readout").first.inner_text()  # 85 + log2(0.2) = 82.68
    page.close()


def test_update_moves_the_curve_its_ribbon_and_its_reading(browser: Browser, address: str) -> None:
    page = opened(browser, address)
    moved = """() => {
      const figure = document.querySelector("figure.chart"), line = figure.querySelector(".readout");
      const plot = figure.querySelector("rect.plot"), db = plot.getAttribute("height") / 35;
      const ys = (kind) => figure.querySelector(`.${kind}[data-curve=on_axis]:not(.outside)`)
        .getAttribute("d").match(/-?[\\d.]+ -?[\\d.]+/g).map((pair) => +pair.split(" ")[1]);
      line.focus();
      const before = ["trace", "ribbon"].map(ys);
      const data = JSON.parse(figure.querySelector("script").textContent);
      earwitnessCharts.update(figure, "on_axis", data.curves[0].values.map((v) => (v === null ? null : v + 3)));
      const after = ["trace", "ribbon"].map(ys);
      return before.map((list, k) => list.map((y, n) => (y - after[k][n]) / db));
    }"""
    trace, ribbon = page.evaluate(moved)
    assert trace == pytest.approx([3.0] * len(trace), abs=0.02)
    assert ribbon == pytest.approx([3.0] * len(ribbon), abs=0.02)
    assert "on axis 88.0 dB" in spoken(page)
    page.close()


UPDATED = """(how) => {
  const figure = document.querySelector("figure.chart");
  const { hz, curves } = JSON.parse(figure.querySelector("script").textContent);
  const { by, above, below, u } = how, isIn = (k) => hz[k] >= above && hz[k] < below;
  const values = curves[0].values.map((v, k) => (v !== null && isIn(k) ? v + by : null));
  earwitnessCharts.update(figure, "on_axis", values, u && hz.map(() => u));
}"""


def numbers(page: Page, words: str) -> str:
    """What the table of numbers has for the first curve at a frequency."""
    row = page.locator("figure.chart").first.locator("details tbody tr", has_text=words)
    return row.locator("td").first.inner_text().replace("\N{NO-BREAK SPACE}", " ")


def test_the_table_of_numbers_follows_a_redrawn_curve(browser: Browser, address: str) -> None:
    page = opened(browser, address)
    details = page.locator("figure.chart").first.locator("> details")
    all_of_it = {"by": 3, "above": 0, "below": 1e6}
    page.evaluate(UPDATED, all_of_it)
    details.locator("summary").click()
    # 85 + log2(f / 1 kHz) dB as the curve was made, 3 dB higher; u is 0.3 dB, and k = 2.
    expect(details.locator("tbody tr", has_text="1 kHz").locator("td").first).to_have_text("88.0 ± 0.6")
    page.evaluate(UPDATED, {**all_of_it, "by": -85.04, "u": 1.5})
    assert numbers(page, "1 kHz") == "0.0 ± 1.5"  # No zero below zero.
    assert numbers(page, "2.5 kHz") == "1.3 ± 1.5"  # -0.04 + log2(2.5) = 1.28
    assert numbers(page, "40 Hz") == "not valid"
    page.evaluate(UPDATED, {"by": 0, "above": 500.0, "below": 1e6})
    assert numbers(page, "400 Hz") == "not valid"
    assert numbers(page, "1 kHz") == "85.0 ± 0.6"
    page.close()


def test_a_curve_without_any_value_is_not_drawn_and_comes_back(browser: Browser, address: str) -> None:
    page = opened(browser, address)
    trace = page.locator(".drawing.wide .trace[data-curve=on_axis]:not(.outside)").first
    page.evaluate(UPDATED, {"by": 0, "above": 0, "below": 1e6})
    before = trace.get_attribute("d")
    page.evaluate(UPDATED, {"by": 0, "above": 1e6, "below": 1e6})
    expect(trace).to_be_hidden()
    page.evaluate(UPDATED, {"by": 0, "above": 0, "below": 1e6})
    expect(trace).to_be_visible()
    assert trace.get_attribute("d") == before
    page.close()


def test_redrawing_with_the_same_values_changes_nothing(browser: Browser, address: str) -> None:
    # The script and the SVG writer must agree about scales, valid band and rounding.
    page = opened(browser, address)
    paths = """() => [...document.querySelectorAll("figure.chart [data-curve]")].map((e) => e.getAttribute("d"))"""
    before = page.evaluate(paths)
    page.evaluate("""() => {
      for (const figure of document.querySelectorAll("figure.chart")) {
        const { curves } = JSON.parse(figure.querySelector("script").textContent);
        for (const curve of curves) earwitnessCharts.update(figure, curve.key, curve.values);
      }
    }""")
    for old, new in zip(before, page.evaluate(paths), strict=True):
        first, second = (np.array(re.findall(r"-?\d+(?:\.\d+)?", d), float) for d in (old, new))
        assert first.shape == second.shape
        assert first == pytest.approx(second, abs=0.15)
    page.close()


@pytest.mark.parametrize("width_px", [320, 390, 700, 1000])
def test_words_stay_legible_and_the_page_never_scrolls_sideways(browser: Browser, address: str, width_px: int) -> None:
    # House rule: at least 9.5 px. WCAG 2.2, 1.4.10 (reflow): no scrolling in two directions at 320 px.
    page = opened(browser, address, width_px=width_px)
    scale = """() => [...document.querySelectorAll("svg.chart")].filter((s) => s.clientWidth)
      .map((s) => s.getBoundingClientRect().width / s.viewBox.baseVal.width)"""
    scales = page.evaluate(scale)
    assert len(scales) == 2
    assert min(scales) * 12 >= 9.5
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    page.close()


def test_one_drawing_serves_light_dark_and_print(browser: Browser, address: str) -> None:
    page = opened(browser, address, theme="dark")
    paper = """() => [".paper", ".trace.role-direct:not(.outside)", "text.title"].map((kind) => {
      const style = getComputedStyle(document.querySelector(kind)); return [style.fill, style.stroke]; })"""
    dark = page.evaluate(paper)
    assert dark[0][0] == "rgb(18, 22, 27)"
    assert dark[1][1] == "rgb(156, 196, 255)"
    page.evaluate("document.documentElement.dataset.theme = 'light'")
    light = page.evaluate(paper)
    assert light[0][0] == "rgb(255, 255, 255)"
    page.evaluate("document.documentElement.dataset.theme = 'dark'")
    assert page.evaluate(paper) == dark
    page.emulate_media(media="print", color_scheme="dark")
    assert page.evaluate(paper) == light
    page.close()


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("width_px", [390, 1000])
def test_axe_finds_nothing_serious(browser: Browser, address: str, theme: str, width_px: int) -> None:
    page = opened(browser, address, width_px=width_px, theme=theme)
    page.locator("summary").first.click()
    page.locator(".readout").first.focus()
    assert serious(page) == []
    page.close()
