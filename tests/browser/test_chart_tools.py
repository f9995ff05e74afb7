"""Curves hidden, isolated, zoomed, pinned and copied, by pointer and by keyboard, on a page opened from a file."""

from __future__ import annotations

import base64
import importlib.util
import re
import struct
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from accessible import serious
from earwitness.render.html import chart_script, figure_html
from earwitness.render.theme import theme_css

pytestmark = pytest.mark.browser
# Every color of a picture, as CSS writes it.
COLORS = """async (content) => {
  const image = new Image(), canvas = document.createElement("canvas"), found = new Set();
  image.src = "data:image/png;base64," + content;
  await image.decode();
  [canvas.width, canvas.height] = [image.width, image.height];
  const context = canvas.getContext("2d");
  context.drawImage(image, 0, 0);
  const bytes = context.getImageData(0, 0, image.width, image.height).data;
  for (let k = 0; k < bytes.length; k += 4) found.add(`rgb(${bytes[k]},${bytes[k + 1]},${bytes[k + 2]})`);
  return [...found];
}"""
_spec = importlib.util.spec_from_file_location("chart_example", Path(__file__).with_name("test_chart.py"))
assert _spec is not None
assert _spec.loader is not None
example = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(example)


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> str:
    folder: Path = tmp_path_factory.mktemp("tools")
    body = "".join(figure_html(chart, 900) for chart in example.charts())
    page = (
        '<!doctype html><html lang="en"><meta charset="utf-8"><title>An invented loudspeaker</title>'
        f"<style>{theme_css()}body{{margin:8px}}</style><main><h1>An invented loudspeaker</h1>{body}</main>"
        f"<script>{chart_script()}</script></html>"
    )
    (folder / "index.html").write_text(page, encoding="utf-8")
    return (folder / "index.html").as_uri()


@pytest.fixture
def page(browser: Browser, address: str) -> Iterator[Page]:
    made = browser.new_page(viewport={"width": 1000, "height": 900})
    made.on("pageerror", lambda error: pytest.fail(f"script error: {error}"))
    made.goto(address)
    yield made
    made.close()


def figure(page: Page) -> Locator:
    return page.locator("figure.chart").first


def trace(page: Page, key: str) -> Locator:
    return figure(page).locator(f".drawing.wide .trace[data-curve={key}]").last


def test_a_label_hides_its_curve_and_shift_leaves_it_alone(page: Page) -> None:
    label = figure(page).locator(".drawing.wide [data-of=on_axis]")
    label.click()
    expect(trace(page, "on_axis")).not_to_be_visible()
    expect(trace(page, "sound_power")).to_be_visible()
    figure(page).locator(".readout").focus()
    assert "on axis" not in example.spoken(page)
    label.click()
    expect(trace(page, "on_axis")).to_be_visible()
    label.click(modifiers=["Shift"])
    expect(trace(page, "sound_power")).not_to_be_visible()
    label.click(modifiers=["Shift"])
    expect(trace(page, "sound_power")).to_be_visible()


def test_the_same_by_keyboard_with_its_state_told(page: Page) -> None:
    figure(page).get_by_role("button", name="Tools").focus()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    button = figure(page).get_by_role("button", name="on axis", exact=True)
    expect(button).to_be_focused()
    assert button.get_attribute("aria-pressed") == "true"
    page.keyboard.press("Space")
    assert button.get_attribute("aria-pressed") == "false"
    expect(trace(page, "on_axis")).not_to_be_visible()
    assert serious(page) == []
    # WCAG 2.2, 2.5.8: 24 px.
    for box in (
        figure(page).locator(".chart-tools button:visible").evaluate_all("(all) => all.map((e) => e.offsetHeight)")
    ):
        assert box >= 24


def at_px(page: Page, hz: float) -> float:
    """Height on the screen [px] of the on-axis curve at a frequency, from its drawn path through its transform."""
    return float(
        trace(page, "on_axis").evaluate(
            """(path, wanted) => {
              const svg = path.ownerSVGElement, m = path.getScreenCTM(), total = path.getTotalLength();
              const plot = svg.querySelector(".plot").getBoundingClientRect();
              const { lowHz, highHz, zoomLowHz, zoomHighHz } = svg.dataset;
              const low = +(zoomLowHz ?? lowHz), high = +(zoomHighHz ?? highHz);
              const x = plot.left + (plot.width * Math.log(wanted / low)) / Math.log(high / low);
              let [a, b] = [0, total];
              for (let k = 0; k < 40; k++) {
                const c = (a + b) / 2, p = path.getPointAtLength(c).matrixTransform(m);
                p.x < x ? (a = c) : (b = c);
              }
              return path.getPointAtLength(a).matrixTransform(m).y;
            }""",
            hz,
        )
    )


def test_a_stretch_is_zoomed_exactly_and_reset(page: Page) -> None:
    """The example rises by 1 dB an octave, 85 dB at 1 kHz, in a panel of 60 to 95 dB."""
    plot = figure(page).locator(".drawing.wide rect.plot").bounding_box()
    assert plot is not None
    before = at_px(page, 2000.0)
    assert before == pytest.approx(plot["y"] + plot["height"] * (95 - 86) / 35, abs=0.5)
    x = [plot["x"] + plot["width"] * np.log10(hz / 20.0) / 3.0 for hz in (1000.0, 4000.0)]
    page.mouse.move(x[0], plot["y"] + 0.1 * plot["height"])
    page.mouse.down()
    page.mouse.move((x[0] + x[1]) / 2, plot["y"] + 0.3 * plot["height"])
    page.mouse.move(x[1], plot["y"] + 0.5 * plot["height"])
    page.mouse.up()
    # 10 % to 50 % of 35 dB down from 95 dB.
    high, low = 91.5, 77.5
    assert at_px(page, 2000.0) == pytest.approx(plot["y"] + plot["height"] * (high - 86) / (high - low), abs=1.5)
    page.mouse.move(plot["x"] + plot["width"] / 2, plot["y"] + 20)
    assert example.spoken(page).startswith(("1.99 kHz", "2 kHz", "2.01 kHz", "1.97 kHz", "2.03 kHz"))
    assert "2k" in figure(page).locator(".drawing.wide text.hz:visible").all_text_contents()
    ticks = figure(page).locator(".drawing.wide text.tick:visible").all_text_contents()
    assert {"80", "85", "90"} <= set(ticks)
    assert not {"60", "65", "70", "95"} & set(ticks)
    figure(page).get_by_role("button", name="Tools").click()
    figure(page).get_by_role("button", name="Reset zoom").click()
    assert at_px(page, 2000.0) == pytest.approx(before, abs=0.2)
    assert "20 Hz" in [
        text.replace("\xa0", " ") for text in figure(page).locator("text.hz:visible").all_text_contents()
    ]


def test_a_curve_redrawn_while_zoomed_stands_where_it_belongs(page: Page) -> None:
    figure(page).get_by_role("button", name="Tools").click()
    figure(page).get_by_role("button", name="Zoom in").click()
    before = at_px(page, 1000.0)
    page.evaluate(example.UPDATED, {"by": 3, "above": 0, "below": 1e6})
    plot = figure(page).locator(".drawing.wide rect.plot").bounding_box()
    assert plot is not None
    assert before - at_px(page, 1000.0) == pytest.approx(3 / 35 * plot["height"], abs=0.5)


def test_a_readout_is_pinned_and_values_are_copied(page: Page) -> None:
    line = figure(page).locator(".readout")
    line.focus()
    page.keyboard.press("Enter")
    pinned = figure(page).locator(".pinned")
    expect(pinned).to_contain_text("Pinned: 1 kHz")
    page.keyboard.press("PageUp")
    expect(pinned).to_contain_text("on axis 85.0 dB")
    assert "on axis 86.0 dB" in example.spoken(page)
    pinned.get_by_role("button", name="Unpin").click()
    expect(pinned).not_to_be_visible()
    page.evaluate(
        "Object.defineProperty(navigator, 'clipboard',"
        " { value: { writeText: async (text) => { window.copied = text; } } })"
    )
    figure(page).get_by_role("button", name="Tools").click()
    figure(page).locator(".drawing.wide [data-of=sound_power]").click()
    figure(page).get_by_role("button", name="Copy values").click()
    rows = [row.split("\t") for row in page.evaluate("window.copied").split("\n")]
    assert rows[0] == ["Hz", "on axis, dB"]
    values = {float(hz): float(level) for hz, level in rows[1:] if level}
    assert min(values) >= 59.0
    for hz, level in values.items():
        assert level == pytest.approx(85.0 + np.log2(hz / 1000.0), abs=0.002)


def test_what_is_read_beside_a_pin_says_how_far_it_lies_from_there(page: Page) -> None:
    """The example rises by 1 dB an octave."""
    line = figure(page).locator(".readout")
    line.focus()
    page.keyboard.press("Enter")
    page.keyboard.press("PageUp")
    assert "+1.0 from the pin" in example.spoken(page)
    figure(page).get_by_role("button", name="Unpin").click()
    line.focus()
    assert "from the pin" not in example.spoken(page)


def test_a_chart_is_saved_as_a_drawing_and_as_numbers(page: Page) -> None:
    figure(page).get_by_role("button", name="Tools").click()
    with page.expect_download() as drawing:
        figure(page).get_by_role("button", name="Save as SVG").click()
    text = Path(drawing.value.path()).read_text(encoding="utf-8")
    assert text.startswith("<svg")
    assert "var(--" not in text
    assert "rgb(" in text
    # Where it comes from: here the page's title.
    assert re.search(r">An invented loudspeaker</text></svg>$", text)
    with page.expect_download() as numbers:
        figure(page).get_by_role("button", name="Save as CSV").click()
    rows = Path(numbers.value.path()).read_text(encoding="utf-8").splitlines()
    assert rows[0].startswith("Hz,")
    assert len(rows) > 50


def test_a_chart_is_saved_as_a_picture_of_the_same_drawing(page: Page) -> None:
    """PNG, ISO/IEC 15948: eight bytes of signature, then a header with width and height."""
    figure(page).get_by_role("button", name="Tools").click()
    with page.expect_download() as saved:
        figure(page).get_by_role("button", name="Save as PNG").click()
    assert saved.value.suggested_filename.endswith(".png")
    content = Path(saved.value.path()).read_bytes()
    assert content[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", content[16:24])
    box = figure(page).locator(".drawing.wide svg").evaluate("e => [e.viewBox.baseVal.width, e.viewBox.baseVal.height]")
    assert (width, height) == pytest.approx((2 * box[0], 2 * (box[1] + 24)), abs=2.0)
    shown = page.evaluate(COLORS, base64.b64encode(content).decode())
    line = trace(page, "on_axis").evaluate("one => getComputedStyle(one).stroke")
    assert re.sub(r"\s", "", line) in shown, "the color of the curve"
    assert len(shown) > 20


def test_smoothing_is_for_the_eye_and_reaches_no_number(page: Page) -> None:
    drawn = "one => one.getAttribute('d')"
    page.evaluate(example.UPDATED, {"by": 6, "above": 900, "below": 1100})
    line = figure(page).locator(".readout")
    line.focus()
    before, said = trace(page, "on_axis").evaluate(drawn), example.spoken(page)
    figure(page).get_by_role("button", name="Tools").click()
    smooth = figure(page).get_by_role("button", name="Smooth for the eye")
    smooth.click()
    expect(figure(page).locator(".smoothing")).to_have_text(
        "Smoothed for the eye by 1/3 octave; all numbers are as measured."
    )
    assert trace(page, "on_axis").evaluate(drawn) != before
    line.focus()
    assert example.spoken(page) == said
    smooth.click()
    assert trace(page, "on_axis").evaluate(drawn) == before


def test_a_trace_is_kept_while_the_curve_moves(page: Page) -> None:
    figure(page).get_by_role("button", name="Tools").click()
    figure(page).get_by_role("button", name="Keep a trace").click()
    kept = figure(page).locator(".drawing.wide .kept-trace")
    before = kept.first.get_attribute("d")
    page.evaluate(example.UPDATED, {"by": 3, "above": 0, "below": 1e6})
    assert kept.first.get_attribute("d") == before
    figure(page).get_by_role("button", name="Let the trace go").click()
    expect(kept).to_have_count(0)
