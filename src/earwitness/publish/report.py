"""The review as a printable report: A4 or Letter, vector charts, contents, page numbers, tags."""

from __future__ import annotations

from datetime import date as Date
from math import floor, sqrt
from pathlib import Path
from typing import Final, Literal

from earwitness import __version__
from earwitness.errors import choice
from earwitness.exhibits.chart import Chart, Table
from earwitness.exhibits.level_facts import KEY_WORDS
from earwitness.exhibits.line_breaks import units_kept
from earwitness.exhibits.story import story_tables
from earwitness.exhibits.words import COVERAGE_SENTENCE
from earwitness.files.durable import write_bytes
from earwitness.publish.own_words import PARTS
from earwitness.publish.review import Review
from earwitness.publish.typeset import pdf_bytes
from earwitness.render.print import TYPEFACE, print_svg

Paper = Literal["a4", "letter"]
# ISO 216 and ANSI/ASME Y14.1 (from memory).
_PAPER_WIDTH_MM: Final[dict[Paper, float]] = {"a4": 210.0, "letter": 215.9}
_TYPESETTER_PAPER: Final[dict[Paper, str]] = {"a4": "a4", "letter": "us-letter"}
_TEXT_WIDTH_MM: Final = 170.0
# Two exhibits of one panel share a page at this width.
_CHART_WIDTH_MM: Final = 156.0
_PX_PER_MM: Final = 96 / 25.4
_TEMPLATE: Final = "sheets/report.typ"
_LONG_CELL: Final = 40


def report_pdf(review: Review, *, paper: Paper = "a4") -> bytes:
    """The report as PDF; the same review gives the same bytes.

    Charts are drawn at the width they are printed at, 156 mm. Raises InputError for another paper or a chart that
    cannot be drawn, OutputError when the typesetter fails.
    """
    choice("paper", paper, _PAPER_WIDTH_MM)
    return pdf_bytes(_TEMPLATE, _data(review, paper), date=review.date)


def write_report(review: Review, path: Path, *, paper: Paper = "a4") -> Path:
    """Write the report to `path`, whole or not at all. Raises as `report_pdf`, and OutputError by the disk."""
    return write_bytes(path, report_pdf(review, paper=paper))


def _data(review: Review, paper: Paper) -> dict[str, object]:
    day = Date.fromisoformat(review.date)
    made_by = "" if review.tester.name == "not stated" else review.tester.name
    written = ", ".join(filter(None, (f"measured {review.date}", review.state, f"revision {review.revision}")))
    return {
        "paper": _TYPESETTER_PAPER[paper],
        "margin_mm": (_PAPER_WIDTH_MM[paper] - _TEXT_WIDTH_MM) / 2,
        "chart_mm": _CHART_WIDTH_MM,
        "typeface": TYPEFACE,
        "title": f"{review.title}: review",
        "loudspeaker": review.title,
        "author": made_by or "tester not stated",
        "description": review.summary,
        "keywords": ["loudspeaker", review.loudspeaker.type, "measurement", f"Earwitness {__version__}"],
        "year": day.year,
        "month": day.month,
        "day": day.day,
        "running": written,
        "byline": f"{written[0].upper()}{written[1:]}{f', by {made_by}' if made_by else ''}. Earwitness {__version__}",
        "invented": review.invented,
        "invented_short": "An invented loudspeaker, for show" if review.invented else "",
        "summary": review.summary,
        "headlines": [
            {"words": h.words, "term": h.term, "value": h.value, "is_judged": h.is_judged} for h in review.headlines
        ],
        "coverage": f"{COVERAGE_SENTENCE} {KEY_WORDS}",
        "own_words": [
            {"title": PARTS[key], "paragraphs": list(review.own_words.plain(key))} for key in review.own_words.parts
        ],
        "facts": [list(fact) for fact in review.facts],
        "disclosure": review.disclosure,
        "exhibits": [_exhibit(exhibit) for exhibit in (*story_tables(review.story), *review.exhibits)],
        "absent": list(review.absent),
        "figures": _table(review.figures),
        "how_measured": list(review.how_measured),
        "choices": list(review.choices),
        "quality": None if review.quality is None else _table(review.quality),
    }


def _exhibit(exhibit: Chart | Table) -> dict[str, object]:
    if isinstance(exhibit, Table):
        return {"kind": "table", "title": exhibit.title, "table": _table(exhibit)}
    marks = " ".join(f"{mark.number}: {mark.text}" for panel in exhibit.panels for mark in panel.marks)
    return {
        "kind": "chart",
        "title": exhibit.title,
        "subtitle": exhibit.subtitle,
        "svg": print_svg(exhibit, floor(_CHART_WIDTH_MM * _PX_PER_MM)),
        "alt": f"Chart: {exhibit.title}. {exhibit.caption.finding} {marks}".strip(),
        "finding": units_kept(exhibit.caption.finding),
        "reading": units_kept(exhibit.caption.reading),
    }


def _table(table: Table) -> dict[str, object]:
    """A table with the shares of its columns: 0 for those as wide as their words, the others divide what is left."""
    columns = list(zip(*table.rows, strict=True)) if table.rows else [()] * len(table.columns)
    longest = [max((len(cell) for cell in column), default=0) for column in columns]
    return {
        "title": table.title,
        "note": units_kept(table.note),
        "columns": list(table.columns),
        "align": list(table.align),
        "rows": [[units_kept(cell) for cell in row] for row in table.rows],
        "shares": [sqrt(long) if long > _LONG_CELL else 0.0 for long in longest],
    }
