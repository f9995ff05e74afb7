"""A new user's whole path in Chromium, by keyboard alone and by mouse: empty archive, form, twelve rehearsal takes
with the simulated turntable, take in, read, mend, publish."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from bench_client import running
from live_bench import ListenedSound
from playwright.sync_api import Browser, BrowserContext, Locator, Page, expect
from session_form_page import by_keyboard, by_mouse, go

from earwitness.bench.live import LiveDesk
from earwitness.bench.state import Bench
from earwitness.capture.simulated import MemoryLine, RehearsedLoudspeaker, SimulatedTable
from earwitness.capture.turntable import Turntable
from earwitness.session.load import load_session
from patience import PATIENCE_S
from settled import ready

pytestmark = pytest.mark.browser
Fill = Callable[[Page, Path], None]


@pytest.fixture
def entered(
    browser: Browser, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[tuple[BrowserContext, str, Bench]]:
    """A browser that has entered a bench on an empty archive, with a wire some times faster than a real one."""
    # A page that is late to give a sign of life is silenced; on a slow machine that is none of this test's.
    monkeypatch.setattr("earwitness.bench.live.LIFE_S", PATIENCE_S)
    with running(tmp_path / "archive") as made:
        sound = ListenedSound(speed=4.0, microphone_delay=76, loudspeaker=RehearsedLoudspeaker())
        made.bench.live = LiveDesk(sounds=lambda _: sound, day_file=lambda _: tmp_path / "day.json", tables=table)
        context = browser.new_context(viewport={"width": 1280, "height": 900})
        page = context.new_page()
        page.goto(made.address)
        page.close()
        yield context, made.base, made.bench
        context.close()


def table(address: str) -> Turntable:
    """The simulated turntable, quick on its way."""
    assert address == "simulated"
    return Turntable(MemoryLine(SimulatedTable(speed_deg_s=400.0)))


class Keys:
    """Everything by keys: Tab on to it, then Enter."""

    def __init__(self, page: Page) -> None:
        self.page = page

    def press(self, what: Locator) -> None:
        what.wait_for()
        name = what.evaluate("one => (one.id ||= `met-${document.querySelectorAll('[id^=met-]').length}`)")
        go(self.page, f'[id="{name}"]')
        self.page.keyboard.press("Enter")

    def fill(self, what: Locator, words: str) -> None:
        what.wait_for()
        go(self.page, f"#{what.get_attribute('id')}")
        self.page.keyboard.press("Control+a")
        self.page.keyboard.type(words)


class Mouse:
    """Everything by clicking on it."""

    def __init__(self, page: Page) -> None:
        self.page = page

    def press(self, what: Locator) -> None:
        what.click()

    def fill(self, what: Locator, words: str) -> None:
        what.click()
        what.fill(words)


@pytest.mark.parametrize(("hand", "form"), [(Keys, by_keyboard), (Mouse, by_mouse)], ids=["keyboard", "mouse"])
def test_a_new_user_comes_from_nothing_to_a_published_page(
    entered: tuple[BrowserContext, str, Bench], tmp_path: Path, hand: type[Keys | Mouse], form: Fill
) -> None:
    context, base, bench = entered
    page = context.new_page()
    page.goto(base)
    page.wait_for_selector("body[data-ready=home]")
    by, folder = hand(page), tmp_path / "session"

    by.press(page.get_by_role("link", name="I will record now"))
    page.wait_for_selector("#begin[data-ready=session]")
    form(page, folder)
    expect(page.locator("#session-takes")).to_contain_text("12 takes")
    by.press(page.get_by_role("button", name="Write it and record"))

    recorded(page, by)
    assert len(load_session(folder).takes) == 12
    by.press(page.locator("#live-add"))
    page.wait_for_url(re.compile("/read/"))
    expect(page.locator("figure svg.chart").first).to_be_visible()
    number = page.url.rpartition("/")[2].partition("?")[0].partition("#")[0]
    assert [one.name for one in bench.loudspeakers()] == ["Heron Nine"]

    # The desk says what comes next, place after place.
    for words, place in (("Mend", "mend"), ("Match", "match"), ("Compare", "compare"), ("Publish", "publish")):
        by.press(page.get_by_role("link", name="Earwitness", exact=True))
        page.wait_for_selector("body[data-ready=home]")
        expect(page.locator(".desk .next")).to_contain_text(f"{words}:")
        by.press(page.locator(".desk .go a"))
        page.wait_for_url(re.compile(f"/{place}/{number}"))
        ready(page)

    by.fill(page.locator("#part-verdict"), "It does what it should.")
    expect(page.locator("#draft-state")).to_contain_text(re.compile(r"^\s*saved"))
    by.press(page.get_by_role("button", name="Publish the review"))
    by.press(page.get_by_role("button", name="Publish now"))
    expect(page.locator("#publish-hint")).to_have_text("Published.")
    by.press(page.get_by_role("link", name="Earwitness", exact=True))
    expect(page.locator(".desk .next")).to_have_text("Published, revision 1")
    page.close()


def recorded(page: Page, by: Keys | Mouse) -> None:
    """All takes, from the form's step on, with the turntable."""
    expect(page.locator("#live-title")).to_have_text("Nobody Heron Nine")
    expect(page.locator("#live-step")).to_have_value("30")
    expect(page.locator("#live-source")).to_have_value("simulated")
    by.press(page.get_by_role("button", name="Begin with these"))
    by.press(page.locator("#live-table-box summary"))
    by.press(page.get_by_role("button", name="Use a simulated one"))
    expect(page.locator("#live-table-told")).to_contain_text("Connected")
    by.press(page.get_by_role("button", name="I have read this"))
    expect(page.locator("#live-confirmed")).to_have_text("Confirmed for these limits.")
    by.fill(page.locator("#live-pause"), "0")
    by.press(page.get_by_role("button", name="Record all that are open"))
    expect(page.locator("#live-add")).to_be_enabled()
    expect(page.locator("#live-add")).to_be_visible()
