"""Take the pictures of docs/bench.md from the running bench.

    python docs/tour.py [--archive FOLDER] [--only NAME ...]

Without an archive the invented loudspeakers are simulated, added and taken in first, which takes some minutes. Chromium
must be installed. Every picture is written anew.
"""

from __future__ import annotations

import argparse
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

from earwitness.app.demo import bring_in_demo
from earwitness.archive.catalogue import Archive

PICTURES = Path(__file__).with_name("bench-tour")
NAME = "Causeway"
Step = tuple[str, str, Callable[[Page], None]]


def still(_page: Page) -> None:
    """The place as it opens."""


def notes(page: Page) -> None:
    """Two remarks, entered by keyboard."""
    for word in ("bright", "boomy"):
        field = page.get_by_label("Word", exact=True)
        field.fill(word)
        field.press("Enter")
        page.keyboard.press("Enter")
    page.wait_for_timeout(900)


def design(page: Page) -> None:
    """The bands that are worth having."""
    page.get_by_role("button", name="Design the bands").click()
    page.wait_for_timeout(4000)


def rehearsed(page: Page) -> None:
    """Some takes of a rehearsal."""
    page.get_by_role("button", name="Rehearse with an invented loudspeaker").click()
    page.locator("#live-step").fill("30")
    page.locator("#live-source option[value=simulated]").wait_for(state="attached")
    page.get_by_role("button", name="Begin with these").click()
    page.get_by_role("button", name="I have read this").click()
    page.locator("#live-level-box summary").click()
    page.locator("#live-pause").fill("1")
    page.get_by_role("button", name="Record all that are open").click()
    page.locator(".take-curves .curve.older").first.wait_for()


def far(page: Page) -> None:
    """The far view, ready for the next take."""
    page.locator("#far-confirm").click()
    page.wait_for_timeout(800)


def evidence(page: Page) -> None:
    """How one figure was got, in the drawer."""
    page.locator("#figures [data-evidence], [data-evidence]").first.click()
    page.wait_for_timeout(1500)


def described(page: Page) -> None:
    """A session form that is half filled in."""
    page.wait_for_selector("#begin[data-ready=session]")
    for path, words in (("maker", "Nobody"), ("name", "Heron Nine"), ("width_m", "0.2"), ("height_m", "0.34")):
        page.locator(f'[id="f-loudspeaker.{path}"]').fill(words)
    for number, (name, kind, size, up) in enumerate(
        (("woofer", "cone", "0.13", "-0.09"), ("tweeter", "dome", "0.026", "0"))
    ):
        page.get_by_role("button", name="Add a driver").click()
        place = f"f-loudspeaker.driver.{number}"
        page.locator(f'[id="{place}.kind"]').select_option(kind)
        for key, words in (("name", name), ("diameter_m", size), ("position_m.2", up)):
            page.locator(f'[id="{place}.{key}"]').fill(words)
    page.locator("#cabinet-drawing").evaluate("(one) => one.scrollIntoView({ block: 'center' })")
    page.mouse.click(5, 700)
    page.wait_for_timeout(800)


def laid_over(page: Page) -> None:
    """Two loudspeakers over each other."""
    page.get_by_label(re.compile("Thimble")).first.check()
    page.get_by_role("button", name="Overlay the curves").click()
    page.get_by_role("heading", name="Figures beside each other").or_(page.locator("figure.chart")).first.wait_for()
    page.locator("figure.chart").first.scroll_into_view_if_needed()
    page.wait_for_timeout(1500)


def previewed(page: Page) -> None:
    """The page beside the exhibits, before it is published."""
    page.locator("#look:not([disabled])").wait_for()
    page.locator("#look").click()
    page.locator("#look-frame:visible").wait_for()
    page.locator("#exhibits-title").scroll_into_view_if_needed()
    page.locator(".with-look").evaluate("(one) => one.scrollIntoView()")
    page.locator("#notes button").first.click()
    page.wait_for_timeout(2500)


def main() -> int:
    """Exit code."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--only", nargs="*", default=[], help="names of the pictures to take, all without")
    options.add_argument("--archive", type=Path, help="an archive with the demo's loudspeakers; it is copied")
    given = options.parse_args()
    with tempfile.TemporaryDirectory() as name:
        archive = Path(name) / "archive"
        if given.archive is not None:
            shutil.copytree(given.archive, archive)
        else:
            bring_in_demo(archive, progress=lambda share, words: print(f"{share:4.0%} {words}", file=sys.stderr))
        with Archive.open(archive) as opened:
            number = opened.find(NAME).id
        take(archive, number, given.only)
    return 0


def take(archive: Path, number: int, only: Sequence[str] = ()) -> None:
    """Every picture of the tour, or those named by `only`."""
    steps: tuple[Step, ...] = (
        ("listen", "/listen", notes),
        ("measure", "/measure", still),
        ("session", "/measure?new#begin", described),
        ("plan", "/measure#plan", still),
        ("record", "/measure#record", rehearsed),
        ("record-far", "/measure/far", far),
        ("read", f"/read/{number}", still),
        ("evidence", f"/read/{number}#figures", evidence),
        ("mend", f"/mend/{number}", design),
        ("match", f"/match/{number}", still),
        ("compare", f"/compare/{number}", laid_over),
        ("publish", f"/publish/{number}", previewed),
        # Last, with the curve of what was read.
        ("home", "/", still),
    )
    if not only:
        shutil.rmtree(PICTURES, ignore_errors=True)
    PICTURES.mkdir(exist_ok=True)
    command = [sys.executable, "-m", "earwitness", "bench", "--no-browser", "--archive", str(archive)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as bench, sync_playwright() as playwright:
        assert bench.stdout is not None
        address = bench.stdout.readline().split()[-1]
        chromium = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        page = chromium.new_page(viewport={"width": 1280, "height": 800})
        page.set_default_timeout(60_000)
        page.goto(address)
        for name, path, act in (step for step in steps if not only or step[0] in only):
            page.goto(address.split("/enter")[0] + path)
            page.wait_for_timeout(1500)
            act(page)
            page.screenshot(path=PICTURES / f"{name}.png")
            print(PICTURES / f"{name}.png")
        chromium.close()
        bench.terminate()


if __name__ == "__main__":
    sys.exit(main())
