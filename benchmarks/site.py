"""Time of publishing: a site of many loudspeakers of which one changed, its index in Chromium, one full publication.

    python benchmarks/site.py [--loudspeakers N] [--parts one index full] [--limits]

one: a site of N loudspeakers (pages of all but two are stood in for, which the act can not tell from written ones;
their figures are those of the invented loudspeakers) is brought up to date after one session was added. index: its
index is opened in Chromium and searched, at N and at 10 N. full: page, report, stills of both shapes, talk and data
set of one loudspeaker. Wall and processor time are printed (they differ where other programs use the machine). With
--limits it ends with code 1 where a part takes more processor time than its limit: 2 s, 1 s, 10 s.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
import time
from contextlib import closing
from dataclasses import replace
from pathlib import Path

from earwitness.app.add import add_catalogue
from earwitness.app.publish import Products, publish_review
from earwitness.app.settings import keep_words
from earwitness.app.site import made_from, publish_site
from earwitness.archive.catalogue import Archive
from earwitness.archive.latest import latest_sessions
from earwitness.archive.neighbors import figures_of, neighbors, put_shape
from earwitness.archive.notes import record_opening
from earwitness.archive.search import facts_of, put_summary
from earwitness.demo.catalogue import catalogue, session_of, write_note
from earwitness.publish.site.index import cards_from, index_css, index_html, index_js, index_script, site_json
from earwitness.quantities import Figure

ROW = "{:<58} {:>8.2f} {:>8.2f}"


class Clock:
    """Wall and processor time [s] from its making."""

    def __init__(self) -> None:
        self._wall, self._processor = time.perf_counter(), time.process_time()

    def told(self, what: str) -> float:
        """Print a row; the processor time."""
        processor = time.process_time() - self._processor
        print(ROW.format(what, time.perf_counter() - self._wall, processor), flush=True)
        return processor


def stood_in(work: Path, count: int) -> None:
    """Archive and site of `count` loudspeakers, two of them whole."""
    add_catalogue(work / "archive", count=2)
    publish_site(work / "site", work / "archive")
    with Archive.open(work / "archive") as archive:
        for one in catalogue(count)[2:]:
            write_note(one, work / "note" / str(one.number))
            archive.add_session(session_of(one), work / "note" / str(one.number))
        entries = latest_sessions(archive)
    record = work / "site" / "site.json"
    known = {card.name_key: card for card in cards_from(record.read_text(encoding="utf-8"), where=str(record))}
    base = next(iter(known.values()))
    pattern = work / "site" / "loudspeakers" / base.address
    for entry in entries:
        key = "\n".join(entry.folded)
        if key not in known:
            address = f"stood-in-{entry.loudspeaker_id}"
            made = made_from(entry)
            title = f"{entry.maker} {entry.name}"
            known[key] = replace(base, address=address, name_key=key, title=title, made_from=made)
            place = work / "site" / "loudspeakers" / address
            place.mkdir()
            shutil.copy(pattern / "loudspeaker.json", place)
            shutil.copy(pattern / "compare.js", place)
    index_stood_in(work / "archive")
    record.write_text(site_json(known.values(), title="Many", base_url=""), encoding="utf-8")
    publish_site(work / "site", work / "archive")


def index_stood_in(folder: Path) -> None:
    """Figures, curves and openings of those stood in for, so that a page has them all beside it."""
    with Archive.open(folder) as archive:
        entries = latest_sessions(archive)
        known = {one.loudspeaker_id: one for one in neighbors(archive, ())}
        like = next(iter(known.values()))
        figures = figures_of(archive, [like.loudspeaker_id])[like.loudspeaker_id].values()
        for entry in entries:
            if entry.loudspeaker_id in known:
                continue
            session = archive.session(entry.session_id)
            shift = 0.01 * (entry.loudspeaker_id % 97)
            made = [Figure(f.key, f.value + shift, f.u, f.unit, None, "stood in for") for f in figures]
            put_summary(archive, entry.loudspeaker_id, made, facts_of(session, made_from="stood in"))
            curves = {k: replace(c, values=c.values * (1.0 + shift)) for k, c in like.curves.items()}
            put_shape(archive, entry.loudspeaker_id, curves, made_from="stood in")
            record_opening(archive, name=entry.name, maker=entry.maker)


def one_changed(work: Path, count: int) -> float:
    stood_in(work, count)
    clock = Clock()
    report = publish_site(work / "site", work / "archive")
    clock.told(f"site of {count:,}, nothing changed: {len(report.written)} written")
    one = catalogue(count + 1)[count]
    write_note(one, work / "note" / "more")
    add_catalogue_one(work, count + 1)
    clock = Clock()
    report = publish_site(work / "site", work / "archive")
    clock.told(f"site of {count + 1:,}, one is new: {len(report.written)} written")
    (work / "words.md").write_text("## Verdict\n\nClear.\n", encoding="utf-8")
    keep_words(f"{one.maker} {one.name}", work / "words.md", work / "archive")
    clock = Clock()
    report = publish_site(work / "site", work / "archive")
    return clock.told(f"site of {count + 1:,}, one changed: {len(report.written)} written")


def add_catalogue_one(work: Path, count: int) -> None:
    """The last of `count` invented loudspeakers, with its result, as any session that is added has."""
    from earwitness.app.add import measurement_of

    one = catalogue(count)[-1]
    with Archive.open(work / "archive") as archive:
        added = archive.add_session(session_of(one), work / "note" / "more")
        measurement_of(archive, added.session_id)


def index_in_browser(work: Path, count: int) -> float:
    from playwright.sync_api import sync_playwright

    record = work / "site" / "site.json"
    if not record.is_file():
        add_catalogue(work / "archive", count=2)
        publish_site(work / "site", work / "archive")
    base = cards_from(record.read_text(encoding="utf-8"), where=str(record))
    cards = [
        replace(base[n % len(base)], address=f"a-{n}", title=f"Maker {n % 97} Name {n}", price=float(100 + n))
        for n in range(count)
    ]
    place = work / f"index-{count}"
    place.mkdir()
    for name, text in (
        ("index.html", index_html(cards, title="Many", base_url="")),
        ("index-data.js", index_js(cards, title="Many")),
        ("index.js", index_script()),
        ("index.css", index_css()),
    ):
        (place / name).write_text(text, encoding="utf-8")
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-gpu"]
        )
        with closing(started) as browser:
            page = browser.new_page()
            page.goto((place / "index.html").as_uri())
            began = time.perf_counter()
            page.goto((place / "index.html").as_uri())
            page.wait_for_selector("th[data-sort=title] button")
            opened = time.perf_counter() - began
            print(ROW.format(f"index of {count:,}: open until it can be used", opened, 0.0), flush=True)
            began = time.perf_counter()
            page.get_by_label("Words").fill(f"name {count - 1}")
            page.wait_for_function("document.getElementById('told').textContent.startsWith('1 of')")
            print(ROW.format(f"index of {count:,}: words until found", time.perf_counter() - began, 0.0), flush=True)
            page.get_by_label("Words").fill("")
            began = time.perf_counter()
            page.get_by_role("button", name="Price of a pair").click()
            page.wait_for_function("document.querySelector('th[data-sort=price]').getAttribute('aria-sort')")
            print(ROW.format(f"index of {count:,}: sort by price", time.perf_counter() - began, 0.0), flush=True)
    return opened


def full(work: Path, archive: Path | None, name: str) -> float:
    if archive is None:
        archive = work / "full" / "archive"
        add_catalogue(archive, count=1)
    everything = Products("a4", ("wide", "tall"), talk=True, license="CC-BY-4.0")
    clock = Clock()
    done = publish_review(name, work / "page", archive, products=everything)
    return clock.told(f"one full publication: page and {len(done.files)} files")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--loudspeakers", type=int, default=1000)
    parser.add_argument("--parts", nargs="+", choices=("one", "index", "full"), default=("one", "index", "full"))
    parser.add_argument("--archive", type=Path, default=None, help="archive of the full publication")
    parser.add_argument("--name", default="Alder 1", help="loudspeaker of the full publication")
    parser.add_argument("--limits", action="store_true")
    given = parser.parse_args()
    count, over = given.loudspeakers, False
    print(f"{'':<58} {'wall s':>8} {'cpu s':>8}")
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        if "one" in given.parts:
            over |= one_changed(work, count) > 2.0
        if "index" in given.parts:
            over |= index_in_browser(work, count) > 1.0
            index_in_browser(work, 10 * count)
        if "full" in given.parts:
            over |= full(work, given.archive, given.name) > 10.0
    return int(over and given.limits)


if __name__ == "__main__":
    sys.exit(main())
