"""The review as a printable report: A4 or Letter, vector charts, contents, page numbers, tags."""

import re
from base64 import b64encode
from dataclasses import replace
from datetime import date as Date
from math import floor, sqrt
from pathlib import Path
from typing import Final, Literal

from earwitness import __version__
from earwitness.errors import choice
from earwitness.exhibits.chart import Chart, Mark, Table
from earwitness.exhibits.heard import story_tables
from earwitness.exhibits.level_facts import KEY_WORDS
from earwitness.exhibits.line_breaks import SENTENCE_END, headline_of, units_kept
from earwitness.exhibits.record import record
from earwitness.exhibits.words import COVERAGE_SENTENCE
from earwitness.files.durable import write_bytes
from earwitness.publish.own_words import PARTS
from earwitness.publish.review import Review, ShownPhoto, five_minutes, value_parts
from earwitness.publish.typeset import pdf_bytes
from earwitness.render.svg import TYPEFACE, print_svg

Paper = Literal["a4", "letter"]
# ISO 216 and ANSI/ASME Y14.1 (from memory).
_PAPER_WIDTH_MM: Final[dict[Paper, float]] = {"a4": 210.0, "letter": 215.9}
_TYPESETTER_PAPER: Final[dict[Paper, str]] = {"a4": "a4", "letter": "us-letter"}
_TEXT_WIDTH_MM: Final = 170.0
_COLUMN_MM: Final = 82.0
# Characters of the typeface at 7.5 points in one column, about.
_COLUMN_CHARACTERS: Final = 64
_PHOTO_MM: Final = 48.0
_PAPER: Final = re.compile(r'<rect class="paper"[^>]*/>')
_METHODS: Final = "Of each method the first sentence; the page has the whole."
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
    day, read = Date.fromisoformat(review.date), five_minutes(review)
    made_by = "" if review.tester.name == "not stated" else review.tester.name
    written = ", ".join(filter(None, (f"measured {review.date}", review.state, f"revision {review.revision}")))
    verdict = review.own_words.plain("verdict")
    # The running head names the loudspeaker, and the story its findings.
    known = frozenset({review.title, *(line.measured for line in review.story)})
    charts = [*read.charts, *(one for one in read.others if isinstance(one, Chart) and one.key == "above")]
    # Low ones first, and maps side by side: fewer gaps at the ends of columns.
    charts.sort(key=lambda one: (len(one.panels), one.panels[0].map is not None))
    more = [_exhibit(one, _COLUMN_MM, known) for one in read.others if one not in charts]
    return {
        "paper": _TYPESETTER_PAPER[paper],
        "margin_mm": (_PAPER_WIDTH_MM[paper] - _TEXT_WIDTH_MM) / 2,
        "gutter_mm": _TEXT_WIDTH_MM - 2 * _COLUMN_MM,
        "typeface": TYPEFACE,
        "title": f"{review.title}: review",
        "loudspeaker": review.title,
        "author": made_by or "tester not stated",
        "description": review.summary,
        "keywords": ["loudspeaker", review.loudspeaker.type, "measurement", f"Earwitness {__version__}"],
        **record(day, "year month day"),
        "running": written,
        "byline": f"{written[0].upper()}{written[1:]}{f', by {made_by}' if made_by else ''}. Earwitness {__version__}",
        "invented": review.invented,
        "invented_short": "An invented loudspeaker, for show" if review.invented else "",
        "verdict": list(verdict or (review.summary,)),
        "verdict_note": "The tester’s verdict." if verdict else "",
        "photo": _photo(review.photos[0]) if review.photos else None,
        "headlines": [{"words": h.words, "term": h.term, "value": value_parts(h)} for h in review.headlines],
        "first": None if read.first is None else _first(read.first, review, known),
        "coverage": f"{COVERAGE_SENTENCE} {KEY_WORDS}",
        "story": next((_table(one) for one in story_tables(review.story)), None),
        "own_words": [
            {"title": PARTS[key], "paragraphs": list(review.own_words.plain(key))}
            for key in review.own_words.parts
            if key != "verdict"
        ],
        "for_whom": list(review.for_whom),
        "facts": [list(fact) for fact in review.facts],
        "disclosure": review.disclosure,
        "charts": [_exhibit(one, _COLUMN_MM, known) for one in charts],
        # Tables last: they may break, and fill what charts leave.
        "others": sorted((one for one in more if not one["is_wide"]), key=lambda one: one["kind"] == "table"),
        "wide": [one for one in more if one["is_wide"]],
        "absent": list(review.absent),
        "figures": _figures(review.figures),
        "figures_note": f"{review.figures.note} {_METHODS}",
        "how_measured": list(review.how_measured),
        "choices": list(review.choices),
        "quality": None if review.quality is None else _table(review.quality),
    }


def _first(chart: Chart, review: Review, known: frozenset[str]) -> dict[str, object]:
    """The chart of the first page under its title, which the page on a screen leaves out."""
    title = next(one.title for one in review.charts if one.key == chart.key)
    return _exhibit(chart, _TEXT_WIDTH_MM, known) | {"title": title}


def _exhibit(exhibit: Chart | Table, width_mm: float, known: frozenset[str]) -> dict[str, object]:
    """An exhibit for the typesetter, a chart `width_mm` wide. known : words that need not stand in it again."""
    if isinstance(exhibit, Table):
        table = _table(replace(exhibit, note=_without(exhibit.note, known)))
        # Both columns where the longest cells side by side need them.
        wide = (
            sum(max(map(len, cells)) for cells in zip(exhibit.columns, *exhibit.rows, strict=True)) > _COLUMN_CHARACTERS
        )
        return {"kind": "table", "title": exhibit.title, "table": table, "is_wide": wide}
    marks = " ".join(f"{mark.number}: {mark.text}" for panel in exhibit.panels for mark in panel.marks)
    bold, rest = headline_of(exhibit.caption.finding)
    return {
        "kind": "chart",
        "title": exhibit.title,
        "subtitle": exhibit.subtitle,
        # Without its ground, which would cover what the page sets close to it.
        "svg": _PAPER.sub("", print_svg(_bare(exhibit, known), floor(width_mm * _PX_PER_MM))),
        "width_mm": width_mm,
        "is_wide": False,
        "alt": f"Chart: {exhibit.title}. {exhibit.caption.finding} {marks}".strip(),
        "finding": units_kept(bold),
        "reading": units_kept(f"{rest} {exhibit.caption.reading}".strip()),
    }


def _bare(chart: Chart, known: frozenset[str]) -> Chart:
    """The chart without the words of marks and notes that are `known`."""

    def silent(mark: Mark) -> Mark:
        return replace(mark, text="") if mark.text in known else mark

    panels = tuple(replace(panel, marks=tuple(map(silent, panel.marks))) for panel in chart.panels)
    return replace(chart, panels=panels, note=_without(chart.note, known))


def _without(note: str, known: frozenset[str]) -> str:
    return next((note.removesuffix(words).strip() for words in known if note.endswith(words)), note)


def _figures(table: Table) -> list[tuple[str, str, str]]:
    """Name, value, and band and first sentence of the method, which is not said again where it holds on."""
    found, before = [], ""
    for name, value, band, method in table.rows:
        how = f"{band}. {SENTENCE_END.split(method)[0]}"
        found.append((units_kept(name), units_kept(value), "As above." if how == before else units_kept(how)))
        before = how
    return found


def _photo(photo: ShownPhoto) -> dict[str, object]:
    """A photograph inside an SVG, which the typesetter takes as text."""
    picture = photo.picture
    size = f'width="{picture.width_px}" height="{picture.height_px}"'
    names = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'
    image = f'<image {size} xlink:href="data:image/jpeg;base64,{b64encode(picture.data).decode()}"/>'
    width_mm = min(_PHOTO_MM, _PHOTO_MM * picture.width_px / picture.height_px)
    return {"alt": photo.alt, "width_mm": width_mm, "svg": f"<svg {names} {size}>{image}</svg>"}


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
