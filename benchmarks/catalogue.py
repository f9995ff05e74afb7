"""Time of questions to a catalogue of 100, 1,000 and 10,000 invented loudspeakers.

    python benchmarks/catalogue.py [--loudspeakers N ...] [--runs N] [--limit-ms MS]

Each loudspeaker has 40 figures, about 120 words of notes, and two or three sessions of units and states. Every
question, and the choice of a loudspeaker and a session by name, is asked N times; the middle of wall time and of
processor time is printed (they differ where other programs use the machine). Ends with code 1
when a question takes more processor time than the limit.
"""

from __future__ import annotations

import argparse
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from earwitness.archive.catalogue import Archive, folded
from earwitness.archive.choose import session_words
from earwitness.archive.schema import LoudspeakerRow, SessionRow, SummaryFigureRow, SummaryRow
from earwitness.archive.search import TYPES, FigureRange, SearchQuery, search

FIGURES = 40
WORDS = (
    *(f"{start}{end}" for start in ("bass", "treble", "hum", "room", "warm") for end in ("", "y", "er", "ish")),
    *("thin", "clear", "edge", "voice", "piano", "drum", "string", "wide", "narrow", "deep", "flat", "long", "short"),
    *("port", "noise", "rattle", "gap", "seam", "screw", "felt", "foam", "magnet", "cone", "dome", "horn", "quiet"),
)
QUESTIONS = {
    "everything, by title": SearchQuery(),
    "everything, by a figure": SearchQuery(sort="figure_03", descending=True),
    "everything, page 100": SearchQuery(sort="price", currency="EUR", offset=99 * 50),
    "one common word": SearchQuery(text="bass", sort="relevance"),
    "three words, the last begun": SearchQuery(text="warm piano rat", sort="relevance"),
    "one rare word": SearchQuery(text="serial00042"),
    "one type": SearchQuery(type="floor-stander"),
    "a span of prices": SearchQuery(currency="EUR", price_low=500, price_high=900, sort="price"),
    "one figure, half of all": SearchQuery(figures=(FigureRange("figure_00", low=50.0),), sort="figure_00"),
    "five figures": SearchQuery(figures=tuple(FigureRange(f"figure_{i:02}", 10.0, 90.0) for i in range(5))),
    "all at once": SearchQuery(
        text="warm bass",
        figures=tuple(FigureRange(f"figure_{i:02}", 10.0, 90.0) for i in range(3)),
        type="stand-mount",
        currency="EUR",
        price_low=300,
        price_high=5000,
        sort="figure_07",
    ),
}


def fill(archive: Archive, count: int) -> None:
    """Write `count` loudspeakers in one transaction; the search's own way takes one each."""
    draw = random.Random(1)
    with archive.writing() as work:
        for number in range(1, count + 1):
            name, maker = f"Invented {number}", f"Maker {number % 200}"
            stamp = "2026-01-01T00:00:00+00:00"
            names = {"folded_name": folded(name), "folded_maker": folded(maker)}
            work.add(LoudspeakerRow(id=number, name=name, maker=maker, **names, created_at=stamp))
            work.flush()
            title = f"{maker} {name}"
            work.add(
                SummaryRow(
                    loudspeaker_id=number,
                    title=title,
                    folded_title=folded(title),
                    type=draw.choice(TYPES),
                    price=round(10 ** draw.uniform(2, 4)),
                    currency="EUR",
                    date=f"20{draw.randrange(10, 27)}-01-01",
                    notes=f"serial{number:05} " + " ".join(draw.choices(WORDS, k=120)),
                    made_from="",
                    created_at=stamp,
                )
            )
            work.flush()
            for session in range(2 + number % 2):
                facts = {"unit": {"serial": f"S{session}"}, "variant": {"preset": ("flat", "warm", "desk")[session]}}
                key = f"{number}:{session}".ljust(64, "0")
                work.add(
                    SessionRow(
                        loudspeaker_id=number, key=key, date=f"2026-01-0{session + 1}", folder="", facts=facts,
                        created_at=stamp,
                    )
                )  # fmt: skip
            for index in range(FIGURES):
                value = draw.uniform(0.0, 100.0)
                figure = {"key": f"figure_{index:02}", "value": value, "u": 0.5, "unit": "dB", "bound": ""}
                work.add(SummaryFigureRow(loudspeaker_id=number, **figure))


def choices(count: int) -> dict[str, str]:
    """Names as a tester gives them, by what they show."""
    last = f"Invented {count}"
    return {
        "a name in full": f"Maker {count % 200} {last}",
        "a part of a name": last[3:],
        "a session by number": f"{last} @ session {2 * count + (count + 1) // 2}",
        "a unit in a state": f"{last} @ unit S1, variant preset warm",
    }


def timed(ask: Callable[[], object], runs: int) -> tuple[float, float, object]:
    """Middle of wall and processor time [ms], and the last answer."""
    walls, processors, found = [], [], None
    for _ in range(runs):
        wall, processor = time.perf_counter(), time.process_time()
        found = ask()
        walls.append((time.perf_counter() - wall) * 1e3)
        processors.append((time.process_time() - processor) * 1e3)
    return statistics.median(walls), statistics.median(processors), found


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--loudspeakers", type=int, nargs="+", default=[100, 1000, 10_000])
    parser.add_argument("--runs", type=int, default=9)
    parser.add_argument("--limit-ms", type=float, default=50.0)
    given = parser.parse_args()
    slowest = 0.0
    print(f"{'loudspeakers':>12} {'matches':>8} {'wall ms':>8} {'cpu ms':>8}  question")
    for count in given.loudspeakers:
        with tempfile.TemporaryDirectory() as folder, Archive.open(Path(folder) / "archive") as archive:
            fill(archive, count)
            for name, query in QUESTIONS.items():
                wall, processor, found = timed(lambda query=query: search(archive, query), given.runs)
                slowest = max(slowest, processor)
                print(f"{count:12,} {found.total:8,} {wall:8.1f} {processor:8.1f}  {name}", flush=True)
            for name, asked in choices(count).items():
                wall, processor, found = timed(lambda asked=asked: archive.pick(asked), given.runs)
                slowest = max(slowest, processor)
                words = session_words(found[1])
                print(f"{count:12,} {'1':>8} {wall:8.1f} {processor:8.1f}  {name}: {words}", flush=True)
    return int(slowest > given.limit_ms)


if __name__ == "__main__":
    sys.exit(main())
