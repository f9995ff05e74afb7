"""Frame times of the bench in Chromium, Read's first paint cold, and the desk with many loudspeakers.

    python benchmarks/frames.py [--archive FOLDER] [--loudspeaker NUMBER] [--desk COUNT] [--chromium PATH]

Frames: while a stretch of a chart of Read is drawn and zoomed into again and again, and while a band of the equalizer
of Mend is dragged, the times between frames as requestAnimationFrame tells them (HTML standard, animation frames).
Goals on an idle machine: median at most 20 ms, 95 % at most 40 ms. First paint: a bench of its own is asked for Read
after its first page, once it has loaded what it loads by itself; told are its processor time until the page is ready,
and when the first contentful paint was (W3C Paint Timing). Goal: 1.5 s. Desk: the processor time of the first page with
that many invented loudspeakers, all known as responses alone. Without --archive an invented loudspeaker is recorded and
reduced first, which takes a minute.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from http.cookiejar import CookieJar
from pathlib import Path

from playwright.sync_api import Page, sync_playwright
from slider import drag_a_band, made_archive

WATCHED = """() => { globalThis.frames = [];
  let last = performance.now();
  const next = (now) => { frames.push(now - last); last = now; requestAnimationFrame(next); };
  requestAnimationFrame((now) => { last = now; requestAnimationFrame(next); }); }"""
TICKS_A_SECOND = os.sysconf("SC_CLK_TCK")


@contextlib.contextmanager
def bench(archive: Path) -> Iterator[tuple[int, str]]:
    """A running bench: its process and the address that opens it."""
    command = [sys.executable, "-m", "earwitness", "bench", "--no-browser", "--archive", str(archive)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as run:
        assert run.stdout is not None
        try:
            yield run.pid, run.stdout.readline().split()[-1]
        finally:
            run.terminate()


def cpu_s(pid: int) -> float:
    """Processor time of a process and its threads so far (proc(5), Linux)."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS_A_SECOND


def settled(pid: int) -> None:
    """Wait until what the bench loads by itself after its first page is there."""
    before = -1.0
    while (now := cpu_s(pid)) - before > 0.05:
        before = now
        time.sleep(2)


def told(name: str, frames: list[float]) -> None:
    """One line. The first frames hold the beginning of the act."""
    seen = sorted(frames[2:])
    late = seen[int(0.95 * (len(seen) - 1))]
    print(f"{name}: {len(seen)} frames, median {statistics.median(seen):.1f} ms, 95 % within {late:.1f} ms, "
          f"longest {seen[-1]:.0f} ms")  # fmt: skip


def zooming(page: Page) -> list[float]:
    """Stretches drawn over the first chart of Read, each of which is then shown."""
    plot = page.locator("#ex-balance .drawing.wide rect.plot").first
    plot.scroll_into_view_if_needed()
    box = plot.bounding_box()
    if box is None:
        raise RuntimeError("the chart has no plot")
    page.evaluate(WATCHED)
    for turn in range(8):
        x, y = box["x"] + (0.2 + 0.02 * turn) * box["width"], box["y"] + 0.2 * box["height"]
        page.mouse.move(x, y)
        page.mouse.down()
        for step in range(30):
            page.mouse.move(x + 0.015 * step * box["width"], y + 0.01 * step * box["height"])
        page.mouse.up()
        page.mouse.dblclick(x, y)
    return list(page.evaluate("frames"))


def dragging(page: Page) -> list[float]:
    """A band of an equalizer of five, dragged over the chart of Mend."""
    drag_a_band(page, 5, 300, WATCHED)
    return list(page.evaluate("frames"))


def first_paint(page: Page, pid: int, base: str, number: int) -> None:
    before = cpu_s(pid)
    page.goto(f"{base}/read/{number}", wait_until="commit")
    page.wait_for_selector("body[data-ready=read]", timeout=120_000)
    paint = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? NaN")
    print(f"Read cold: {cpu_s(pid) - before:.2f} s of CPU of the bench until it is ready, painted {paint:.0f} ms after "
          "the request")  # fmt: skip


def desk(count: int, folder: Path) -> None:
    """The first page of a bench with many loudspeakers, the second and third time it is asked for."""
    from earwitness.app.add import add_catalogue

    add_catalogue(folder, count=count)
    opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(CookieJar()))
    with bench(folder) as (pid, address):
        opener.open(address).read()
        settled(pid)
        for order in ("work", "work", "rating"):
            before = cpu_s(pid)
            size = len(opener.open(f"{address.split('/enter')[0]}/?order={order}").read())
            print(f"desk of {count}, by {order}: {cpu_s(pid) - before:.2f} s of CPU, {size / 1000:.0f} kB")


def main() -> int:
    """Exit code."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--archive", type=Path)
    parser.add_argument("--loudspeaker", type=int, default=1)
    parser.add_argument("--desk", type=int, default=0)
    parser.add_argument("--chromium", default="/usr/bin/chromium")
    given = parser.parse_args()
    print(f"load of the machine: {os.getloadavg()[0]:.1f}")
    with tempfile.TemporaryDirectory() as name, sync_playwright() as playwright:
        archive = given.archive or made_archive(Path(name))
        chromium = playwright.chromium.launch(executable_path=given.chromium, args=["--no-sandbox"])
        with bench(archive) as (pid, address):
            page, base = chromium.new_page(viewport={"width": 1280, "height": 900}), address.split("/enter")[0]
            page.goto(address)
            page.wait_for_selector("body[data-ready=home]")
            settled(pid)
            first_paint(page, pid, base, given.loudspeaker)
            page.wait_for_timeout(2000)
            told("zooming in Read", zooming(page))
            page.goto(f"{base}/mend/{given.loudspeaker}")
            page.wait_for_selector("body[data-ready=mend]", timeout=120_000)
            page.wait_for_timeout(2000)
            told("dragging in Mend", dragging(page))
        chromium.close()
        if given.desk:
            desk(given.desk, Path(name) / "many")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
