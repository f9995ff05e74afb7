"""Time from a drag of a band in the bench until its frame, in Chromium, and of weighing the equalizer on the server.

    python benchmarks/slider.py [--archive FOLDER] [--loudspeaker NUMBER] [--bands N] [--moves N] [--chromium PATH]

A band of an equalizer of N bands is dragged over the chart. Every pointer event is timed from the moment the browser
took it in (its time stamp) until the task after the frame that shows all five curves, the equalizer and the handles
anew. Goal: 50 ms. Without --archive an invented loudspeaker is recorded and reduced first, which takes a minute.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import threading
import time
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

from earwitness.app.mend import EqualizerEditor, equalizer_of
from earwitness.bench.security import Access
from earwitness.bench.server import create_app, free_port

TIMED = """() => { globalThis.times = [];
  const channel = new MessageChannel(), begun = [];
  channel.port1.onmessage = () => { while (begun.length) times.push(performance.now() - begun.shift()); };
  addEventListener("pointermove", (e) => {
    begun.push(e.timeStamp);
    requestAnimationFrame(() => channel.port2.postMessage(0));
  }, true); }"""


def made_archive(folder: Path) -> Path:
    """An archive with one invented loudspeaker."""
    from earwitness.app.add import add_folder
    from earwitness.demo.recorder import write_session

    write_session("causeway", folder / "recordings", quick=True)
    add_folder(folder / "recordings", folder / "archive")
    return folder / "archive"


def drag_a_band(page: Page, bands: int, moves: int, watched: str) -> None:
    """The last of some bands is dragged over the chart of Mend, in one long drag; watched : script run before."""
    page.locator("#clear").click()
    for _ in range(bands):
        page.locator("#add-band").click()
    grip = page.locator(".band-grip").last.locator(".grip")
    grip.scroll_into_view_if_needed()
    box = grip.bounding_box()
    if box is None:
        raise RuntimeError("the band has no handle")
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.evaluate(watched)
    page.mouse.move(x, y)
    page.mouse.down()
    for step in range(moves):
        page.mouse.move(x + 140 * (step % 60 - 30) / 30, y + 50 * (step % 40 - 20) / 20)
    page.mouse.up()


def dragged_ms(page: Page, bands: int, moves: int) -> list[float]:
    """Times of the events of one long drag."""
    drag_a_band(page, bands, moves, TIMED)
    page.wait_for_timeout(500)
    times: list[float] = page.evaluate("times")
    return times


def told(name: str, times: list[float]) -> str:
    ordered = sorted(times)
    high = ordered[min(len(ordered) - 1, round(0.95 * len(ordered)))]
    return f"{name}: median {statistics.median(times):.1f} ms, 95 % within {high:.1f} ms, most {ordered[-1]:.1f} ms"


def drag_times(
    folder: Path,
    *,
    archive: Path | None = None,
    loudspeaker: int = 1,
    bands: int = 10,
    moves: int = 300,
    chromium_path: str = "/usr/bin/chromium",
) -> tuple[list[float], list[float]]:
    """Times of drag events until their frames, and processor times of weighing on the server [ms]."""
    import uvicorn

    with free_port(None) as place:
        archive = archive or made_archive(folder)
        port, gate = place.getsockname()[1], Access()
        app = create_app(archive, gate=gate, port=port)
        server = uvicorn.Server(uvicorn.Config(app, log_level="error", timeout_graceful_shutdown=1))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [place]}, daemon=True)
        thread.start()
        while not server.started:
            thread.join(0.02)
        with sync_playwright() as playwright:
            chromium = playwright.chromium.launch(executable_path=chromium_path, args=["--no-sandbox"])
            page = chromium.new_page(viewport={"width": 1280, "height": 1000})
            page.goto(f"http://127.0.0.1:{port}/enter/{gate.token}")
            page.goto(f"http://127.0.0.1:{port}/mend/{loudspeaker}")
            page.wait_for_selector("body[data-ready=mend]")
            page.wait_for_timeout(2000)
            times = dragged_ms(page, bands, moves)
            chromium.close()
        desk = EqualizerEditor(app.state.bench.reading(loudspeaker))
        equalizer = equalizer_of([("peaking", 100.0 * 1.3**k, (-1.0) ** k, 2.0) for k in range(bands)])
        desk.weigh(equalizer)
        weighed = []
        for _ in range(50):
            begun = time.process_time()
            desk.weigh(equalizer)
            weighed.append(1000 * (time.process_time() - begun))
        server.should_exit = True
        thread.join(10)
    return times, weighed


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--archive", type=Path)
    parser.add_argument("--loudspeaker", type=int, default=1)
    parser.add_argument("--bands", type=int, default=10)
    parser.add_argument("--moves", type=int, default=300)
    parser.add_argument("--chromium", default="/usr/bin/chromium")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        times, weighed = drag_times(
            Path(folder),
            archive=given.archive,
            loudspeaker=given.loudspeaker,
            bands=given.bands,
            moves=given.moves,
            chromium_path=given.chromium,
        )
    print(told(f"{len(times)} drag events with {given.bands} bands, each until its frame", times))
    print(told("weighing it on the server, processor time", weighed))


if __name__ == "__main__":
    main()
