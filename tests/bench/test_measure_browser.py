"""The place Measure in Chromium: plan, record over a wire in memory, silence, reload, crash, resume, bring in."""

from __future__ import annotations

import re
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from bench_browser import on_page
from bench_client import running
from live_bench import Listened, ListenedSound
from live_server import bench_process
from playwright.sync_api import Browser, BrowserContext, Page, expect

from accessible import serious
from earwitness.app.measure import new_rehearsal
from earwitness.bench.live import LiveDesk
from earwitness.bench.state import Bench
from earwitness.capture.sound import Wiring
from earwitness.session.load import load_session
from patience import PATIENCE_S, until
from settled import page_until, ready, settled

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def entered(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[BrowserContext, str, Bench]]:
    """A browser that has entered a bench on an empty archive."""
    with running(tmp_path_factory.mktemp("measure") / "archive") as made:
        context = browser.new_context(viewport={"width": 1280, "height": 900}, accept_downloads=True)
        page = context.new_page()
        page.goto(made.address)
        page.close()
        yield context, made.base, made.bench
        context.close()


@pytest.fixture
def quick(entered: tuple[BrowserContext, str, Bench], heard: Listened) -> Listened:
    """The same, some times faster, for what takes long and is not broken off."""
    sound = ListenedSound(speed=5.0, microphone_delay=140)
    entered[2].live.sounds = lambda _: sound
    return heard


@pytest.fixture
def pace(entered: tuple[BrowserContext, str, Bench], heard: Listened) -> Callable[[float], None]:
    """Sets how many times faster than a real one the wire is from the next take on; nothing was heard yet."""

    def begin(speed: float) -> None:
        heard.blocks.clear()
        entered[2].live.sounds(Wiring("simulated", "simulated")).pace(speed)  # type: ignore[attr-defined]

    return begin


@pytest.fixture
def heard(
    entered: tuple[BrowserContext, str, Bench], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Listened]:
    """What leaves the bench's sound card, a wire as slow as a real one."""
    # A page that is late to give a sign of life is silenced; on a slow machine that is none of these tests'.
    monkeypatch.setattr("earwitness.bench.live.LIFE_S", PATIENCE_S)
    sound = ListenedSound(speed=1.0, microphone_delay=140)
    sound.heard.blocks.clear()
    desk = LiveDesk(sounds=lambda _: sound, day_file=lambda _: tmp_path / "day.json")
    entered[2].live = desk
    yield sound.heard
    desk.close()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A session with a short sweep."""
    path = new_rehearsal(tmp_path / "session")
    text = path.read_text(encoding="utf-8").replace("duration_s = 1.0", "duration_s = 0.6")
    path.write_text(text.replace("lead_in_s = 0.5", "lead_in_s = 0.2"), encoding="utf-8")
    return path.parent


def lasting(folder: Path) -> Path:
    """The session with a sweep of some seconds, to be broken off in, however slow the machine."""
    toml = folder / "session.toml"
    toml.write_text(toml.read_text(encoding="utf-8").replace("duration_s = 0.6", "duration_s = 6.0"), encoding="utf-8")
    return folder


def opened(page: Page, folder: Path, *, step: str = "180") -> None:
    """The folder opened under Record, set up on the wire, cautions confirmed."""
    page.locator("#live-folder").fill(str(folder))
    page.get_by_role("button", name="Open the folder").click()
    expect(page.locator("#live-source option[value=simulated]")).to_have_count(1)
    page.locator("#live-source").select_option("simulated")
    page.locator("#live-sink").select_option("simulated")
    page.locator("#live-step").fill(step)
    page.get_by_role("button", name="Begin with these").click()
    confirm(page)


def confirm(page: Page) -> None:
    page.get_by_role("button", name="I have read this").click()
    expect(page.locator("#live-confirmed")).to_have_text("Confirmed for these limits.")
    page.locator("#live-pause").fill("0")


def until_it_sounds(page: Page, heard: Listened) -> None:
    page_until(page, lambda: heard.after(0.0) >= 0.01)


def test_the_plan_follows_what_is_typed_and_the_points_are_saved(
    entered: tuple[BrowserContext, str, Bench], tmp_path: Path
) -> None:
    context, base, _ = entered
    with on_page(context, f"{base}/measure#plan", "measure") as page:
        # 1.5 m apart at half of 2.6 m: 2 sqrt(0.75^2 + 1.3^2) - 1.5 = 1.50 m more; 4.38 ms at 343 m/s, less 0.2 ms.
        expect(page.locator("#plan-gated")).to_contain_text("gate: 4.2 ms, ended by the floor")
        page.locator("#plan-side").fill("0.8")
        expect(page.locator("#plan-gated")).to_contain_text("ended by the side wall")
        expect(page.locator("#plan-drawing svg")).to_have_attribute("aria-label", re.compile("from above"))
        page.locator("#plan-stand").fill("3")
        expect(page.locator("#plan-gated")).to_contain_text("the room does not hold")
        page.locator("#plan-stand").fill("1.3")
        page.locator("#plan-to").fill(str(tmp_path / "points.csv"))
        with page.expect_download() as download:
            page.get_by_role("button", name="Save the list of points").click()
        text = Path(download.value.path()).read_text(encoding="utf-8")
        assert text == (tmp_path / "points.csv").read_text(encoding="utf-8")
        rows = [line for line in text.splitlines() if line[:1] in "-0123456789"]
        # The plan of what was typed last may still be on its way when its points are there.
        expect(page.locator(".plan-results")).to_have_attribute("aria-busy", "false")
        expect(page.locator("#plan-scan")).to_contain_text(f"points: {len(rows):,}")
        assert serious(page) == []


def test_a_session_is_recorded_from_the_first_caution_to_the_archive(
    entered: tuple[BrowserContext, str, Bench], quick: Listened, folder: Path
) -> None:
    context, base, _ = entered
    with on_page(context, f"{base}/measure#record", "measure") as page:
        opened(page, folder)
        assert quick.blocks == []
        page.locator("#live-target").fill("66")
        page.get_by_role("button", name="Raise the level").click()
        expect(page.locator("#live-meters .meter-words").first).to_contain_text("peak")
        expect(page.locator("#live-level-told")).to_contain_text("The level is reached.")
        expect(page.locator("#live-loopback-told")).to_contain_text("carries the signal")
        # How loud it will be is known now: other words, to be confirmed again.
        expect(page.get_by_role("button", name="Record this take")).to_be_disabled()
        expect(page.locator("#live-cautions")).to_contain_text("The loudest take will be about")
        confirm(page)
        # What it says meanwhile is gone before long.
        page.locator("#live-status").evaluate(
            """one => { globalThis.said = [];
            const watch = new MutationObserver(() => said.push(one.textContent));
            watch.observe(one, { childList: true, subtree: true }); }"""
        )
        page.locator("#live-pause").fill("1")
        page.get_by_role("button", name="Record this take").click()
        page.wait_for_function("() => said.some((one) => one.includes('take 0, horizontal 0°'))")
        expect(page.locator("#live-verdict")).to_contain_text("Take 0: Keep.")
        expect(page.locator("#live-maps svg")).to_have_attribute(
            "aria-label", "horizontal orbit: 1 of 2 angles are there"
        )
        expect(page.locator("#live-maps .dot.kept")).to_have_count(1)
        page.locator("#live-pause").fill("0")
        page.get_by_role("button", name="Record all that are open").click()
        expect(page.get_by_role("button", name="Take it in").last).to_be_visible()
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
            assert serious(settled(page)) == []
        assert len(load_session(folder).takes) == 3
        page.locator("#live-add").click()
        page.wait_for_url(re.compile("/read/"))


@pytest.mark.parametrize("way", ["Space", "Escape", "button"])
def test_each_way_to_silence_silences_at_once(
    entered: tuple[BrowserContext, str, Bench], heard: Listened, pace: Callable[[float], None], folder: Path, way: str
) -> None:
    context, base, _ = entered
    with on_page(context, f"{base}/measure#record", "measure") as page:
        opened(page, lasting(folder))
        pace(1.0)
        page.get_by_role("button", name="Record this take").click()
        until_it_sounds(page, heard)
        if way == "button":
            page.get_by_role("button", name="Silence").click()
        else:
            # In a text field the key silences too, and writes nothing.
            page.locator("#live-pause").focus()
            page.keyboard.press(way)
        # Long before the take would have ended, and by the time that it is told.
        expect(page.locator("#live-status")).to_contain_text("Silenced: the abort key")
        told = time.monotonic()
        page.wait_for_timeout(400)
        assert heard.after(told) == 0.0
        expect(page.locator("#live-takes tr").first).to_contain_text("open; 1 not kept")
        page.get_by_role("button", name="Close the folder").click()


def test_a_reload_silences_and_the_session_is_there_again(
    entered: tuple[BrowserContext, str, Bench], heard: Listened, pace: Callable[[float], None], folder: Path
) -> None:
    context, base, _ = entered
    with on_page(context, f"{base}/measure#record", "measure") as page:
        opened(page, lasting(folder))
        pace(10.0)
        page.get_by_role("button", name="Record take 180").click()
        expect(page.locator("#live-verdict")).to_contain_text("Take 180: Keep.")
        pace(1.0)
        page.get_by_role("button", name="Record this take").click()
        until_it_sounds(page, heard)
        page.reload()
        expect(page.locator("#live-status")).to_contain_text("the page that started this was closed")
        told = time.monotonic()
        page.wait_for_timeout(400)
        assert heard.after(told) == 0.0
        pace(10.0)
        expect(page.locator("#live-title")).to_have_text("Invented Works Practice One")
        expect(page.locator("#live-maps .dot.kept")).to_have_count(1)
        # Nothing is confirmed any more, and the take is open.
        expect(page.get_by_role("button", name="Record this take")).to_be_disabled()
        confirm(page)
        page.get_by_role("button", name="Record this take").click()
        # The wire of this test has no loudspeaker that turns, and that is noticed.
        expect(page.locator("#live-verdict")).to_contain_text("Take 0: Check: It is the same as take 180")


def test_a_killed_bench_loses_nothing_and_a_new_one_goes_on(browser: Browser, folder: Path, tmp_path: Path) -> None:
    home = {"XDG_DATA_HOME": str(tmp_path / "data")}
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    with bench_process(tmp_path / "archive", life_s=PATIENCE_S, **home) as (process, address):
        page.goto(address)
        page.goto(f"{address.split('/enter')[0]}/measure#record")
        opened(ready(page), lasting(folder))
        page.get_by_role("button", name="Record this take").click()
        expect(page.locator("#live-verdict")).to_contain_text("Take 0: Keep.")
        page.get_by_role("button", name="Record this take").click()
        part = folder / "horizontal" / "180.wav.part"
        until(lambda: part.exists() and part.stat().st_size >= 50_000)
        process.kill()
        process.wait()
        on_disk = part.stat().st_size
        expect(page.locator("#live-status")).to_contain_text("The bench does not answer")
    with bench_process(tmp_path / "archive", life_s=PATIENCE_S, **home) as (_, address):
        page.goto(address)
        page.goto(f"{address.split('/enter')[0]}/measure#record")
        ready(page).locator("#live-folder").fill(str(folder))
        page.get_by_role("button", name="Open the folder").click()
        expect(page.locator("#live-recovered")).to_contain_text("spoiled/horizontal_180-1.wav")
        kept = (folder / "spoiled" / "horizontal_180-1.wav").stat().st_size
        assert abs(kept - on_disk) < 4096
        expect(page.locator("#live-next-words")).to_have_text("Next: horizontal 180°. 1 of 3 takes are there.")
        confirm(page)
        page.get_by_role("button", name="Record all that are open").click()
        expect(page.locator("#live-add")).to_be_visible()
    context.close()
    assert len(load_session(folder).takes) == 3


def test_a_folder_with_faults_is_mended_file_by_file_and_taken_in(
    entered: tuple[BrowserContext, str, Bench], bench_recordings: Path, tmp_path: Path
) -> None:
    context, base, _ = entered
    folder = tmp_path / "session"
    shutil.copytree(bench_recordings, folder)
    toml = folder / "session.toml"
    right = toml.read_text(encoding="utf-8")
    toml.write_text(right.replace("date = ", "dat = ", 1).replace('enclosure = "', 'enclosure = "x'), encoding="utf-8")
    with on_page(context, f"{base}/measure", "measure") as page:
        page.locator("#drop-files").set_input_files(folder)
        expect(page.locator("#arriving")).to_be_visible()
        expect(page.locator("#faults li").nth(1)).to_be_visible()
        page.wait_for_function("() => document.querySelector('#arriving-share').value === 1")
        expect(page.locator("#take-in")).to_be_disabled()
        assert serious(page) == []
        mended = tmp_path / "mended" / "session"
        mended.mkdir(parents=True)
        (mended / "session.toml").write_text(right, encoding="utf-8")
        page.locator("#drop-files").set_input_files(mended)
        expect(page.locator("#arriving-words")).to_contain_text("can be taken in")
        page.locator("#take-in").click()
        page.wait_for_url(re.compile("/read/"))
        expect(page.locator("body")).to_contain_text("Causeway")


def test_all_tabs_hold_no_serious_violation_on_a_tablet_in_light_and_dark(
    entered: tuple[BrowserContext, str, Bench], heard: Listened, folder: Path
) -> None:
    context, base, _ = entered
    with on_page(context, f"{base}/measure#record", "measure") as page:
        opened(page, folder)
        page.set_viewport_size({"width": 820, "height": 1100})
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
            for tab in ("Bring in a session", "Describe a session", "Plan", "Record", "Test signals"):
                page.get_by_role("tab", name=tab).click()
                assert serious(settled(page)) == [], (scheme, tab)
                wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
                assert wide <= 0, tab
        page.get_by_role("tab", name="Record").click()
        page.get_by_role("button", name="Close the folder").click()
    assert heard.blocks == []
