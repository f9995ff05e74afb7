"""The place Listen in Chromium: notes entered by keyboard alone, undone, reloaded, sealed, held against the data."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from bench_browser import empty_page
from playwright.sync_api import BrowserContext, Page, expect

from accessible import serious
from earwitness.app.listen import blind_test, helper_card, sealed_sheets
from settled import ready, settled

pytestmark = pytest.mark.browser
SCRIPT = "<script>window.harmed=1</script><img src=x onerror=window.harmed=1>"


@pytest.fixture
def page(context: BrowserContext) -> Iterator[Page]:
    """A stale tab is answered with 409."""
    with empty_page(context, refusal=409) as made:
        yield made


def opened(page: Page, base: str, path: str) -> Page:
    page.goto(base + path)
    expect(ready(page).locator("#draft-state button").first).to_be_visible()
    expect(page.locator("#now-playing")).not_to_be_empty()
    return page


def typed(page: Page, *keys: str) -> None:
    """Keys one after another: a name of a key, or text in quotes."""
    for key in keys:
        if key.startswith("'"):
            page.keyboard.type(key[1:])
        else:
            page.keyboard.press(key)


def remarks(page: Page) -> list[str]:
    return [text.split(" ")[0] for text in page.locator("#remarks .what").all_inner_texts()]


def saved(page: Page) -> None:
    settled(page)
    expect(page.locator("#draft-state")).to_contain_text("saved")
    expect(page.locator("#draft-state")).not_to_contain_text("not saved")


def fill_setup(page: Page) -> None:
    for name, value in (("level_db", "78"), ("distance_m", "2,5"), ("aim_deg", "-5")):
        page.locator(f"[data-field={name}]").fill(value)
    page.locator("[data-field=equalizer]").select_option("no")


def test_notes_are_entered_by_keyboard_undone_reloaded_and_sealed(page: Page, base: str, bench_archive: Path) -> None:
    opened(page, base, "/listen")
    typed(page, "p", "'" + SCRIPT, "Enter")
    expect(page.locator("#now-playing")).to_contain_text("1 of 1")
    page.locator("h1").click()
    typed(page, "s", "n", "'bri", "Enter", "Alt+3", "'it spits", "Enter")
    typed(page, "'boom", "ArrowDown", "ArrowUp", "Enter", "Enter", "'smo", "Enter", "'" + SCRIPT, "Enter")
    assert remarks(page) == ["bright", "boomy", "smooth"]
    first = page.locator("#remarks li").first
    expect(first.locator(".what")).to_have_text("bright strong, too much, 3 kHz to 20 kHz")
    expect(first.locator(".at")).to_have_text("0:00")
    saved(page)
    page.locator("h1").click()
    typed(page, "r", "ArrowDown", "Delete")
    assert remarks(page) == ["bright", "smooth"]
    typed(page, "Control+z")
    expect(page.locator("#remarks li")).to_have_count(3)
    typed(page, "r", "ArrowDown", "Alt+ArrowUp")
    assert remarks(page) == ["boomy", "bright", "smooth"]
    typed(page, "Enter", "Tab", "Tab", "Tab", "Tab", "' for sure", "Enter")
    expect(page.locator("#remarks li").first).to_contain_text("for sure")
    saved(page)
    opened(page, base, "/listen")
    assert remarks(page) == ["boomy", "bright", "smooth"]

    page.locator("h1").click()
    typed(page, "Shift+S")
    expect(page.locator("#missing")).to_contain_text("the loudspeaker’s name")
    page.locator("[data-field=loudspeaker]").fill("Typed One")
    page.locator("[data-field=maker]").fill(SCRIPT)
    fill_setup(page)
    page.locator("[data-field=blind]").select_option("no")
    page.get_by_role("button", name="Seal these notes").click()
    expect(page.locator("#sealed-now code")).to_be_visible()
    (kept,) = sealed_sheets(bench_archive, name="Typed One", maker=SCRIPT)
    expect(page.locator("#sealed-now code")).to_have_text(kept.entry.sha256)
    assert [one.word for one in kept.sheet.remarks] == ["boomy", "bright", "smooth"]
    assert kept.sheet.remarks[1].strength == "strong"
    assert kept.sheet.remarks[1].at_s is not None
    assert (kept.sheet.aim_deg, kept.sheet.distance_m, kept.sheet.passages[0].name) == (-5.0, 2.5, SCRIPT)
    assert not kept.entry.is_after_data
    expect(page.locator("#sealed-list")).to_contain_text(kept.entry.sha256)
    page.get_by_role("button", name="Begin another sheet").click()
    expect(page.locator("#remarks .what")).to_have_count(0)
    assert page.evaluate("window.harmed") is None


def test_two_tabs_do_not_overwrite_each_other(page: Page, context: BrowserContext, base: str) -> None:
    opened(page, base, "/listen/1")
    other = opened(context.new_page(), base, "/listen/1")
    typed(page, "n", "'warm", "Enter", "Enter")
    saved(page)
    other.locator("#word").focus()
    typed(other, "'thin", "Enter", "Enter")
    expect(other.get_by_text("changed in another tab")).to_be_visible()
    other.get_by_role("button", name="Take over the newer").click()
    expect(other.locator("#remarks")).to_contain_text("warm")
    assert remarks(settled(other)) == ["warm"]
    other.close()


def test_sealed_notes_are_held_against_the_data_only_when_asked(page: Page, base: str, bench_archive: Path) -> None:
    assert sealed_sheets(bench_archive)[0].entry.opened_at is None
    opened(page, base, "/listen/1")
    page.goto(base + "/listen/1/held")
    expect(page.get_by_role("button", name="Hold them against the data")).to_be_visible()
    assert sealed_sheets(bench_archive)[0].entry.opened_at is None
    page.get_by_role("button", name="Hold them against the data").click()
    expect(page.locator("#held table").last).to_be_visible()
    assert sealed_sheets(bench_archive)[0].entry.opened_at is not None
    text = page.locator("#held").inner_text()
    assert "sealed before the data were shown" in text
    assert "with probability" in text
    assert "nothing was said" in text or "Every finding was heard" in text
    opened(page, base, "/listen/1")
    expect(page.locator(".lead")).to_contain_text("marked as made with the data known")
    page.goto(base + "/listen/record")
    page.get_by_role("button", name="Count over all reviews").click()
    expect(page.locator("#record table")).to_contain_text("all")


def test_a_blind_test_hides_its_letters_until_it_is_sealed(page: Page, base: str, bench_archive: Path) -> None:
    opened(page, base, "/listen/blind")
    expect(page.locator("#listening")).to_be_hidden()
    for name in ("First", "Second"):
        page.locator("#deal-name").fill(name)
        page.locator("#deal-maker").fill("Nobody")
        page.locator("#deal-maker").press("Enter")
    page.get_by_role("button", name="Deal the letters").click()
    expect(page.locator("#listening")).to_be_visible()
    number = page.locator("#dealt-number").inner_text()
    assert blind_test(number, bench_archive).revealed is None
    page.get_by_role("button", name="Show the helper’s card").click()
    expect(page.locator("#card-lines pre")).to_contain_text(f"Blind test {number}")
    assert page.locator("#card-lines pre").inner_text().splitlines() == list(helper_card(number, bench_archive))
    page.get_by_role("button", name="Hide the card").click()
    assert "Nobody First" not in page.locator("main").inner_text()
    page.get_by_label("A, dB SPL").fill("78.2")
    page.get_by_label("B, dB SPL").fill("80.1")
    expect(page.locator("[data-gain=B]")).to_have_text("gain: −1.9 dB")
    expect(page.locator("[data-gain=A]")).to_have_text("gain: 0.0 dB")
    expect(page.locator("[data-field=level_db]")).to_have_value("78.2")
    page.locator("#passage-name").fill("a trio")
    page.locator("#passage-name").press("Enter")
    page.locator("h1").click()
    typed(page, "2", "n", "'thin", "Enter", "Enter")
    expect(page.locator("#remarks .letter")).to_have_text("B")
    page.locator("[data-field=distance_m]").fill("3")
    page.locator("[data-field=aim_deg]").fill("0")
    page.locator("[data-field=equalizer]").select_option("no")
    page.get_by_role("button", name="Seal these notes").click()
    expect(page.locator("#sealed-now")).to_contain_text("B was Nobody")
    revealed = blind_test(number, bench_archive).revealed
    assert revealed is not None
    name, maker = revealed["B"]
    (kept,) = sealed_sheets(bench_archive, name=name, maker=maker)
    assert (kept.sheet.letter, kept.sheet.is_blind, kept.sheet.remarks[0].word) == ("B", True, "thin")
    assert f"B: {maker} {name}" in helper_card(number, bench_archive)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 820])
def test_the_pages_are_accessible_and_fit(page: Page, base: str, scheme: str, width: int) -> None:
    """WCAG 2.2 level AA as far as axe-core checks it."""
    page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
    page.set_viewport_size({"width": width, "height": 900})
    for path in ("/listen", "/listen/1", "/listen/blind", "/listen/1/held", "/listen/record"):
        page.goto(base + path)
        settled(ready(page))
        assert serious(page) == [], path
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), path
