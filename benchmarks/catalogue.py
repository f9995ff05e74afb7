"""Time of questions to a catalogue of 100, 1,000 and 10,000 invented loudspeakers.

    python benchmarks/catalogue.py [--loudspeakers N ...] [--runs N] [--limit-ms MS]

Each loudspeaker has 40 figures and about 120 words of notes. Every question is asked N times; the middle of
wall time and of processor time is printed (they differ where other programs use the machine). Ends with code 1
when a question takes more processor time than the limit.
"""

from __future__ import annotations

import argparse
import random
import statistics
import sys
import tempfile
import time
from pathlib import Path

from earwitness.archive.catalogue import Archive, folded
from earwitness.archive.schema import LoudspeakerRow, SummaryFigureRow, SummaryRow
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
            for index in range(FIGURES):
                value = draw.uniform(0.0, 100.0)
                figure = {"key": f"figure_{index:02}", "value": value, "u": 0.5, "unit": "dB", "bound": ""}
                work.add(SummaryFigureRow(loudspeaker_id=number, **figure))


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
                walls, processors = [], []
                for _ in range(given.runs):
                    wall, processor = time.perf_counter(), time.process_time()
                    found = search(archive, query)
                    walls.append((time.perf_counter() - wall) * 1e3)
                    processors.append((time.process_time() - processor) * 1e3)
                wall, processor = statistics.median(walls), statistics.median(processors)
                slowest = max(slowest, processor)
                print(f"{count:12,} {found.total:8,} {wall:8.1f} {processor:8.1f}  {name}", flush=True)
    return int(slowest > given.limit_ms)


if __name__ == "__main__":
    sys.exit(main())
