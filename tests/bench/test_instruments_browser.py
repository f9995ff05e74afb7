"""Charts as instruments in Chromium: another session laid over, maps read, normalized and seen around."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from bench_browser import entered_browser, on_page
from playwright.sync_api import Browser, BrowserContext, Locator, Page, expect

from accessible import serious
from earwitness.app.read import read_loudspeaker
from earwitness.archive.catalogue import Archive
from earwitness.archive.choose import picking
from earwitness.demo.lineup import BEFORE_REPAIR
from made_once import MadeOnce
from settled import settled

pytestmark = pytest.mark.browser
MATCH_HZ = (300.0, 3000.0)


@pytest.fixture(scope="module")
def archive(made_once: MadeOnce, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return shutil.copytree(made_once.family(), tmp_path_factory.mktemp("instruments") / "archive")


@pytest.fixture(scope="module")
def entered(browser: Browser, archive: Path) -> Iterator[tuple[BrowserContext, str]]:
    with entered_browser(browser, archive) as made:
        yield made


@pytest.fixture
def page(entered: tuple[BrowserContext, str], archive: Path) -> Iterator[Page]:
    context, base = entered
    with Archive.open(archive) as opened:
        number = opened.find("thimble").id
    with on_page(context, f"{base}/read/{number}", "read") as made:
        yield made


def shown(page: Page, key: str) -> Locator:
    """An exhibit with its tools open."""
    section = page.locator(f"#ex-{key}")
    section.scroll_into_view_if_needed()
    settled(page)
    section.get_by_role("button", name="Tools").click()
    return section


def spoken(section: Locator) -> str:
    return section.locator(".readout").get_attribute("aria-valuetext") or ""


def db(words: str) -> float:
    return float(words.replace("\u2212", "-"))


def test_another_session_is_laid_over_by_keyboard_with_its_own_numbers(page: Page, archive: Path) -> None:
    section = shown(page, "balance")
    field = section.get_by_label("Lay over")
    field.focus()
    with Archive.open(archive) as opened:
        ids = {one.date: one.id for one in opened.sessions_of(opened.find("thimble").id)}
    expect(field.locator("optgroup")).not_to_have_count(0)
    value = next(
        str(one)
        for one in field.locator("option").evaluate_all("all => all.map((one) => one.value)")
        if str(one).endswith(f"@{ids[BEFORE_REPAIR.date]}")
    )
    field.select_option(value)
    expect(section.locator(".overlay-words")).to_contain_text("Levels are as measured.")
    line = section.locator(".drawing.wide .trace.overlaid[data-curve='over:listening_window']:not(.outside)")
    expect(line).to_be_visible()
    assert section.locator(".drawing.wide .ribbon.overlaid[data-curve='over:listening_window']").count() == 1
    section.locator(".readout").focus()
    page.keyboard.press("ArrowRight")
    found = re.search(r"dashed: listening window (\S+) dB", spoken(section))
    at = re.match(r"([\d.]+) (k?)Hz", spoken(section))
    assert found is not None
    assert at is not None
    result = read_loudspeaker(picking("thimble", session=ids[BEFORE_REPAIR.date]), archive)
    curve = result.reading.curves["listening_window"]
    hz = float(at[1]) * (1000.0 if at[2] else 1.0)
    wanted = float(np.interp(np.log(hz), np.log(curve.axis.hz), curve.values))
    assert db(found[1]) == pytest.approx(wanted, abs=0.06)
    section.get_by_role("button", name="dashed: listening window").click()
    expect(line).not_to_be_visible()
    section.get_by_label("Match levels").check()
    expect(section.locator(".overlay-words")).to_contain_text("the same from 300 Hz to 3 kHz")
    assert serious(settled(page)) == []
    field.select_option("")
    expect(section.locator(".overlaid")).to_have_count(0)
    section.locator(".readout").focus()
    assert "dashed" not in spoken(section)


def test_a_map_tells_angle_frequency_and_level_by_pointer_and_by_keys(page: Page, archive: Path) -> None:
    section = shown(page, "across")
    line = section.locator(".readout")
    line.focus()
    assert spoken(section).startswith("1 kHz, on axis, 0.0 dB")
    for _ in range(3):
        page.keyboard.press("ArrowUp")
    field = read_loudspeaker("thimble", archive).reading.maps["horizontal"]
    angle = float(field.angle_deg[int(np.abs(field.angle_deg).argmin()) + 3])
    row, column = int(np.flatnonzero(field.angle_deg == angle)[0]), int(np.abs(np.log(field.axis.hz / 1000.0)).argmin())
    told = re.match(r"1 kHz, ([\d.]+)\u00b0 left, (\S+) dB", spoken(section))
    assert told is not None
    assert float(told[1]) == angle
    assert db(told[2]) == pytest.approx(float(field.level_db[row, column]), abs=0.051)
    plot = section.locator(".drawing.wide rect.plot").bounding_box()
    assert plot is not None
    # The plot goes from 180 degrees at its top to -180.
    page.mouse.move(plot["x"] + plot["width"] / 2, plot["y"] + plot["height"] * 270 / 360)
    expect(section.locator(".readout")).to_have_attribute("aria-valuetext", re.compile(r"90\u00b0 right"))
    expect(section.locator(".drawing.wide .map-angle")).to_have_attribute("d", re.compile("^M"))


def test_a_map_is_seen_around_with_its_numbers_and_normalized(page: Page) -> None:
    section = shown(page, "across")
    section.get_by_role("button", name="Polar view").press("Enter")
    expect(section.get_by_role("img", name="Polar view")).to_be_visible()
    rows = section.locator(".polar tbody tr")
    expect(rows.filter(has_text="on axis")).to_contain_text("0.0 dB")
    aside = rows.filter(has_text="30\u00b0 left").first.locator("td").first
    before = db(aside.inner_text().split()[0])
    assert before < 0
    assert serious(settled(page)) == []
    field = section.get_by_label("Normalize to")
    field.select_option(label="30\u00b0 left")
    expect(section.locator("figcaption")).to_contain_text("Normalized to +30\u00b0")
    expect(section.get_by_label("Normalize to")).to_be_focused()
    expect(section.get_by_label("Normalize to").locator("option:checked")).to_have_text("30\u00b0 left")
    section.locator(".readout").focus()
    assert re.match(r"1 kHz, on axis, (\S+) dB", spoken(section))
    assert db(spoken(section).split(", ")[2].split()[0]) == pytest.approx(-before, abs=0.11)


@pytest.mark.parametrize(("width", "scheme"), [(390, "light"), (720, "dark")])
def test_what_the_tools_open_fits_a_narrow_window(page: Page, width: int, scheme: str) -> None:
    page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
    page.set_viewport_size({"width": width, "height": 844})
    shown(page, "balance").get_by_label("Lay over").focus()
    section = shown(page, "across")
    section.get_by_role("button", name="Polar view").click()
    expect(section.get_by_role("img", name="Polar view")).to_be_visible()
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert serious(settled(page)) == []
