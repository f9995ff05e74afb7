"""Record with a simulated turntable, by keyboard alone: twelve takes, their curves, the far view of the room, cues."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from bench_browser import on_page
from bench_client import running
from live_bench import Listened, ListenedSound
from playwright.sync_api import Browser, BrowserContext, Page, expect

from accessible import serious
from earwitness.app.measure import new_rehearsal, turntable_at
from earwitness.bench.live import LiveDesk
from earwitness.bench.state import Bench
from earwitness.capture.simulated import MemoryLine, RehearsedLoudspeaker, SimulatedTable, TableFaults
from earwitness.capture.sound import Wiring
from earwitness.capture.turntable import Turntable
from earwitness.session.load import load_session
from patience import PATIENCE_S
from settled import settled

pytestmark = pytest.mark.browser
# When cues began and ended, on the clock of the machine.
CUES = """
globalThis.cues = [];
document.addEventListener("cue", (e) => globalThis.cues.push([e.detail, Date.now() / 1000]));
"""


@pytest.fixture
def entered(browser: Browser, tmp_path: Path) -> Iterator[tuple[BrowserContext, str, Bench]]:
    """A browser that has entered a bench on an empty archive."""
    with running(tmp_path / "archive") as made:
        context = browser.new_context(viewport={"width": 1440, "height": 900})
        context.add_init_script(CUES)
        page = context.new_page()
        page.goto(made.address)
        page.close()
        yield context, made.base, made.bench
        context.close()


@pytest.fixture
def heard(
    entered: tuple[BrowserContext, str, Bench], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Listened]:
    """What leaves a wire four times as fast as a real one, past a loudspeaker that turns."""
    # A page that is late to give a sign of life is silenced; on a slow machine that is none of these tests'.
    monkeypatch.setattr("earwitness.bench.live.LIFE_S", PATIENCE_S)
    sound = ListenedSound(speed=4.0, microphone_delay=76, loudspeaker=RehearsedLoudspeaker())
    sound.heard.blocks.clear()
    desk = LiveDesk(sounds=lambda _: sound, day_file=lambda _: tmp_path / "day.json", tables=quick_table)
    entered[2].live = desk
    yield sound.heard
    desk.close()


def quick_table(address: str) -> Turntable:
    """The simulated turntable, for tests that do not wait for it to settle."""
    assert address == "simulated"
    return fast(SimulatedTable(speed_deg_s=400.0))


def fast(table: SimulatedTable) -> Turntable:
    return Turntable(MemoryLine(table), sleep=lambda seconds: time.sleep(seconds / 20.0))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Twelve angles of a short sweep, and nothing else."""
    path = new_rehearsal(tmp_path / "session")
    text = path.read_text(encoding="utf-8").replace("duration_s = 1.0", "duration_s = 0.6")
    path.write_text(text.split('[[take]]\nkind = "near')[0], encoding="utf-8")
    return path.parent


def press_to(page: Page, selector: str, *, key: str = "Tab", most: int = 120) -> None:
    """Go on by keyboard until an element has the focus."""
    expect(page.locator(selector)).to_be_visible()
    expect(page.locator(selector)).to_be_enabled()
    for _ in range(most):
        if page.locator(selector).evaluate("(one) => one === document.activeElement"):
            return
        page.keyboard.press(key)
    raise AssertionError(f"{selector} is not reached by {key}")


def begin_by_keyboard(page: Page, folder: Path) -> None:
    """Open the folder, choose the simulated wire and steps of 30 degrees, confirm the cautions, by keys alone."""
    press_to(page, "#live-folder")
    page.keyboard.type(str(folder))
    page.keyboard.press("Enter")
    expect(page.locator("#live-source")).to_have_value("simulated")
    press_to(page, "#live-step")
    page.keyboard.press("Control+a")
    page.keyboard.type("30")
    page.keyboard.press("Enter")
    expect(page.locator("#live-confirm")).to_be_enabled()
    press_to(page, "#live-confirm", key="Shift+Tab")
    page.keyboard.press("Enter")
    expect(page.locator("#live-confirmed")).to_have_text("Confirmed for these limits.")


def test_twelve_takes_on_a_turntable_by_keyboard(
    entered: tuple[BrowserContext, str, Bench], heard: Listened, folder: Path
) -> None:
    context, base, _ = entered
    with on_page(context, f"{base}/measure#record", "measure") as page:
        begin_by_keyboard(page, folder)
        # Once confirmed, the cautions take one line.
        expect(page.locator("#live-cautions")).to_be_hidden()
        press_to(page, "#live-table-box summary", key="Shift+Tab")
        page.keyboard.press("Enter")
        press_to(page, "#live-table-simulated")
        page.keyboard.press("Enter")
        expect(page.locator("#live-table-told")).to_contain_text("simulated turntable")
        press_to(page, "#live-pause")
        page.keyboard.press("Control+a")
        page.keyboard.type("0")
        press_to(page, "#live-record-all", key="Shift+Tab")
        page.keyboard.press("Enter")
        expect(page.locator(".take-curves .curve.before")).to_have_count(1)
        expect(page.locator("#live-verdict .numbers").first).to_contain_text("SNR")
        expect(page.locator("#live-next-words")).to_contain_text("All takes are there.")
        expect(page.locator("#live-status")).to_have_text("Output off.")
        assert page.locator("#live-verdict .check").count() == 0
        expect(page.locator("#live-verdict")).to_contain_text("Take -30: Keep.")
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
            assert serious(settled(page)) == []
        for width in (390, 720):
            page.set_viewport_size({"width": width, "height": 844})
            assert settled(page).evaluate("document.documentElement.scrollWidth") <= width
        # 12 px and more on a phone.
        size = page.locator(".take-curves text").first.evaluate("(one) => one.getBoundingClientRect().height")
        page.set_viewport_size({"width": 390, "height": 844})
        assert size >= 12.0
    assert [one.id for one in load_session(folder).takes].count("0") == 1
    assert len(load_session(folder).takes) == 12
    assert heard.blocks


def test_the_far_view_is_driven_by_a_pedal_and_no_cue_is_recorded(
    entered: tuple[BrowserContext, str, Bench], heard: Listened, folder: Path
) -> None:
    context, base, bench = entered
    with on_page(context, f"{base}/measure#record", "measure") as page:
        begin_by_keyboard(page, folder)
        with on_page(context, f"{base}/measure/far", "far") as far:
            expect(far.locator("#far-word")).to_have_text("Read the cautions")
            # What was confirmed on the other page counts here for nothing.
            far.keyboard.press("PageDown")
            assert heard.blocks == []
            far.locator("#far-confirm").press("Enter")
            far.locator("#far-cue").select_option("tones")
            far.locator("#far-pause").fill("0")
            far.locator("#far-pause").blur()
            expect(far.locator("#far-angle")).to_have_text("0°")
            for angle in ("30°", "60°", "90°"):
                far.keyboard.press("PageDown")
                expect(far.locator("#far-angle")).to_have_text(angle)
                expect(far.locator("#far-word")).to_have_text("Turn to it, then go")
                far.wait_for_timeout(500)
            expect(far.locator("#far-last")).to_contain_text("Kept: horizontal 60°")
            expect(far.locator("#far-count")).to_contain_text("3 of 12 takes")
            # Page up makes the last one again, and the same key then silences. It lasts, so that it is seen recording.
            bench.live.sounds(Wiring("simulated", "simulated")).pace(0.1)  # type: ignore[attr-defined]
            far.keyboard.press("PageUp")
            expect(far.locator("#far-word")).to_have_text("Quiet: it records")
            far.wait_for_timeout(400)
            far.keyboard.press("PageDown")
            expect(far.locator("#far-last")).to_contain_text("Silenced")
            look_at(far)
            cues = far.evaluate("globalThis.cues")
            assert [kind for kind, _ in cues].count("begin") >= 3
            assert not [one for one in recorded(heard) if any(one[0] < at < one[1] for at in sounding(cues))]


def look_at(far: Page) -> None:
    """Readable from afar on a desk's screen, whole on a phone's, accessible in both themes."""
    for scheme in ("light", "dark"):
        far.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        assert serious(settled(far)) == []
    # Own choice after what eyes resolve: at 4 m 0.4 degrees, an angle of 28 mm; on a screen of 1440 px, some 340 mm
    # wide, 119 px. Digits are 0.7 of the type size.
    size = far.locator("#far-angle").evaluate("(one) => parseFloat(getComputedStyle(one).fontSize)")
    assert 0.7 * size >= 119.0
    for width in (390, 720):
        far.set_viewport_size({"width": width, "height": 844})
        assert far.evaluate("document.documentElement.scrollWidth") <= width
    far.set_viewport_size({"width": 1440, "height": 900})


def sounding(cues: list[tuple[str, float]]) -> list[float]:
    """Moments at which a cue sounded, every 10 ms."""
    out: list[float] = []
    began = None
    for kind, at in cues:
        if kind == "begin":
            began = at
        elif began is not None:
            out += [began + 0.01 * k for k in range(round(100.0 * (at - began)) + 1)]
            began = None
    return out


def recorded(heard: Listened) -> list[tuple[float, float]]:
    """(start, end) of what was recorded, on the clock of the machine, by the blocks that ran."""
    shift = time.time() - time.monotonic()
    out: list[tuple[float, float]] = []
    for at, block in heard.blocks:
        if not block.any():
            continue
        if out and at + shift - out[-1][1] < 0.3:
            out[-1] = (out[-1][0], at + shift)
        else:
            out.append((at + shift, at + shift))
    return out


def test_a_table_that_does_not_turn_is_told_on_both_screens(
    entered: tuple[BrowserContext, str, Bench], heard: Listened, folder: Path
) -> None:
    context, base, bench = entered
    table = SimulatedTable(TableFaults(missed=4), speed_deg_s=400.0)
    bench.live._tables = lambda _: fast(table)
    with (
        on_page(context, f"{base}/measure#record", "measure") as page,
        on_page(context, f"{base}/measure/far", "far") as far,
    ):
        begin_by_keyboard(page, folder)
        page.locator("#live-table-box summary").press("Enter")
        page.locator("#live-table-simulated").press("Enter")
        expect(page.locator("#live-table-told")).to_contain_text("Connected")
        page.locator("#live-pause").fill("0")
        page.locator("#live-record-all").press("Enter")
        expect(page.locator("#live-status")).to_contain_text("the loudspeaker was not turned")
        expect(far.locator("#far-last")).to_contain_text("the loudspeaker was not turned")
        expect(far.locator("#far")).to_have_attribute("data-look", "again")
    assert len(list((folder / "spoiled").iterdir())) == 1
    assert heard.blocks


def test_the_simulated_table_of_rehearsals_stands_at_zero() -> None:
    assert turntable_at("simulated").where().angle_deg == 0.0
