"""Eight tabs of one bench, two of them measuring live: all usable, one stream for all, nothing typed lost.

Browsers open six connections at a time to an address that speaks HTTP/1.1 (their makers' documents; RFC 9112, 9.4, asks
for few), so a stream for each tab leaves none for the seventh. EARWITNESS_TABS_S=120 goes on for two minutes.
"""

from __future__ import annotations

import os
import random
import re
import signal
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
from bench_browser import empty_page, held_back
from bench_client import running
from live_bench import ListenedSound
from live_server import bench_process
from playwright.sync_api import Browser, BrowserContext, Page, Request, expect

from earwitness.app.measure import new_rehearsal
from earwitness.bench.live import LiveDesk
from earwitness.bench.state import Bench
from patience import PATIENCE_S
from settled import page_until, ready

pytestmark = pytest.mark.browser
GOES_ON_S = float(os.environ.get("EARWITNESS_TABS_S", "3"))
SAVED = re.compile(r"^\s*saved")
# A place and a field of it whose words are kept.
WRITES = (("/listen", "#own"), ("/listen/1", "#own"), ("/publish/1", "#part-verdict"))
LOOKS = ("/", "/read/1", "/compare")
# Where it can be pressed just now: all takes may be done.
RECORD_ALL = """() => { const one = document.querySelector("#live-record-all");
  if (one?.checkVisibility() && !one.disabled) one.click(); }"""


@pytest.fixture
def entered(
    browser: Browser, bench_archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[tuple[BrowserContext, str, Bench, set[Request]]]:
    """A browser that has entered a bench with a wire in memory, and the streams that are open."""
    with running(bench_archive) as made:
        # A page that is late to give a sign of life is silenced; on a slow machine that is none of this test's.
        monkeypatch.setattr("earwitness.bench.live.LIFE_S", PATIENCE_S)
        desk = LiveDesk(sounds=lambda _: ListenedSound(speed=5.0), day_file=lambda _: tmp_path / "day.json")
        made.bench.live = desk
        context = browser.new_context(viewport={"width": 1280, "height": 900})
        page = context.new_page()
        page.goto(made.address)
        page.close()
        streams: set[Request] = set()
        context.on("request", lambda one: streams.add(one) if "/api/events" in one.url else None)
        context.on("requestfailed", lambda one: streams.discard(one))
        context.on("requestfinished", lambda one: streams.discard(one))
        yield context, made.base, made.bench, streams
        desk.close()
        context.close()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A session of 36 short takes for the simulated wire."""
    path = new_rehearsal(tmp_path / "session")
    text = path.read_text(encoding="utf-8").replace("duration_s = 1.0", "duration_s = 0.6")
    path.write_text(text.replace("lead_in_s = 0.5", "lead_in_s = 0.2"), encoding="utf-8")
    return path.parent


def tab(context: BrowserContext, address: str) -> Page:
    page = context.new_page()
    page.goto(address)
    return ready(page)


def live_tab(context: BrowserContext, base: str, folder: Path) -> Page:
    page = tab(context, f"{base}/measure#record")
    page.wait_for_selector("body[data-ready=measure]")
    if page.locator("#live-start").is_visible():
        page.locator("#live-folder").fill(str(folder))
        page.get_by_role("button", name="Open the folder").click()
        expect(page.locator("#live-source option[value=simulated]")).to_have_count(1)
        page.locator("#live-source").select_option("simulated")
        page.locator("#live-sink").select_option("simulated")
        page.locator("#live-step").fill("10")
        page.get_by_role("button", name="Begin with these").click()
    return page


def test_eight_tabs_two_of_them_live_are_all_usable_and_lose_nothing(
    entered: tuple[BrowserContext, str, Bench, set[Request]], folder: Path
) -> None:
    context, base, bench, streams = entered
    first, second = live_tab(context, base, folder), live_tab(context, base, folder)
    beats: list[Request] = []
    context.on("requestfinished", lambda one: beats.append(one) if one.url.endswith("/live/beat") else None)
    writing = [(tab(context, base + path), field) for path, field in WRITES]
    looking = [tab(context, base + path) for path in LOOKS]
    for page in (first, second):
        page.get_by_role("button", name="I have read this").click()
        page.locator("#live-pause").fill("0")
    # The second of the live tabs begins; both follow.
    second.get_by_role("button", name="Record all that are open").click()
    expect(first.locator("#live-verdict")).to_contain_text("Keep.")
    expect(second.locator("#live-verdict")).to_contain_text("Keep.")
    end, count = time.monotonic() + GOES_ON_S, 0
    while count < 2 or time.monotonic() < end:
        count += 1
        for page, field in writing:
            page.locator(field).fill(f"words {count} in {page.url}")
        for page, _ in writing:
            expect(page.locator("#draft-state")).to_have_text(SAVED)
        for page in looking:
            page.keyboard.press("j")
            expect(page.locator("#jobs")).to_be_visible(visible=bool(count % 2))
        if bench.live.phase == "ready":
            second.evaluate(RECORD_ALL)
        assert "sign of life" not in bench.live.told().get("silenced", "")
    page_until(first, lambda: len(streams) == 1)
    page_until(first, lambda: beats, "a sign of life comes through")
    for page in (first, second):
        expect(page.locator("#live-next-words")).not_to_contain_text(re.compile(r"\b0 of 3"))
    second.locator("#live-silence").click()
    page_until(first, lambda: bench.live.phase == "ready")
    # Where all takes were done by then, nothing played that could be silenced; the other tab says what the bench knows.
    words = "Silenced" if bench.live.told().get("silenced") else "Output off"
    expect(first.locator("#live-status")).to_contain_text(words)
    for page, field in writing:
        page.reload()
        expect(page.locator(field)).to_have_value(f"words {count} in {page.url}")
    for page in context.pages:
        page.close()


def test_the_lead_passes_on_when_its_tab_is_closed(
    entered: tuple[BrowserContext, str, Bench, set[Request]],
) -> None:
    context, base, bench, streams = entered
    pages = [tab(context, base + "/") for _ in range(3)]
    page_until(pages[0], lambda: streams)
    leader = next(iter(streams)).frame.page
    assert leader is pages[0]
    leader.close()
    bench.jobs.start("A job of this test", lambda _: {})
    for page in pages[1:]:
        expect(page.locator("#jobs-list")).to_contain_text("A job of this test")
    page_until(pages[1], lambda: len([one for one in streams if one.frame.page in pages[1:]]) == 1)
    for page in pages[1:]:
        page.close()


def free_port() -> int:
    """One below those that systems give by themselves (Linux from 32768, others from 49152), so that nothing else is
    given it while the bench is away."""
    for port in random.Random(os.getpid()).sample(range(20_000, 32_000), 100):
        with socket.socket() as place, suppress(OSError):
            place.bind(("127.0.0.1", port))
            return port
    raise AssertionError("no free port")


@contextmanager
def own_context(browser: Browser) -> Iterator[BrowserContext]:
    context = browser.new_context()
    yield context
    context.close()


def test_a_bench_that_is_started_anew_is_found_again_and_nothing_typed_is_lost(
    browser: Browser, tmp_path: Path
) -> None:
    port, home = free_port(), {"XDG_DATA_HOME": str(tmp_path / "data")}
    with own_context(browser) as context:
        page = context.new_page()
        with bench_process(tmp_path / "archive", port=port, **home) as (_, address):
            page.goto(address)
            page.goto(f"http://127.0.0.1:{port}/listen")
            ready(page).locator("#own").fill("typed before")
            expect(page.locator("#draft-state")).to_have_text(SAVED)
        expect(page.locator("#notes")).to_contain_text("The bench does not answer")
        page.locator("#own").fill("typed while it was away")
        with bench_process(tmp_path / "archive", port=port, **home) as (_, address):
            expect(page.locator("#notes")).to_contain_text("does not know this browser yet")
            other = context.new_page()
            other.goto(address)
            expect(page.locator("#draft-state")).to_have_text(SAVED)
            expect(page.locator("#notes .note")).to_have_count(0)
            page.reload()
            expect(page.locator("#own")).to_have_value("typed while it was away")


def test_asleep_and_awake_again(browser: Browser, tmp_path: Path) -> None:
    """The page frozen, the bench stopped as a sleeping machine stops it, and both let go on."""
    with (
        own_context(browser) as context,
        bench_process(tmp_path / "a", XDG_DATA_HOME=str(tmp_path)) as (bench, address),
    ):
        page = context.new_page()
        page.goto(address)
        page.goto(f"{address.split('/enter')[0]}/listen")
        ready(page).locator("#own").fill("before the night")
        expect(page.locator("#draft-state")).to_have_text(SAVED)
        life = context.new_cdp_session(page)
        life.send("Page.setWebLifecycleState", {"state": "frozen"})
        bench.send_signal(signal.SIGSTOP)
        time.sleep(1.0)
        bench.send_signal(signal.SIGCONT)
        life.send("Page.setWebLifecycleState", {"state": "active"})
        page.locator("#own").fill("and after it")
        expect(page.locator("#draft-state")).to_have_text(SAVED)
        page.keyboard.press("Tab")
        expect(page.locator("#jobs-list")).to_contain_text("Nothing has run yet")


def test_a_page_that_is_not_ready_in_time_says_so(
    entered: tuple[BrowserContext, str, Bench, set[Request]],
) -> None:
    context, base, _, _ = entered
    with empty_page(context) as page:
        with held_back(page, "**/static/listen.js"):
            page.goto(base + "/listen", wait_until="commit")
            expect(page.locator("#late")).to_contain_text("This page is not ready yet.")
            expect(page.locator("main")).to_have_attribute("inert", "")
        expect(page.locator("main")).not_to_have_attribute("inert", "")
        expect(page.locator("#late")).not_to_be_visible()
