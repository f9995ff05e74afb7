"""Write a review: everything into a fresh folder beside its place, then one rename."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

from earwitness import __version__
from earwitness.errors import OutputError, cannot_write
from earwitness.exhibits.chart import Chart, Table
from earwitness.exhibits.level_facts import KEY_WORDS
from earwitness.exhibits.words import COVERAGE_SENTENCE
from earwitness.files.data import file_text, table_of
from earwitness.insight.match.crossover import slope_words
from earwitness.publish.downloads import Download, write_downloads
from earwitness.publish.keeping import put_folder
from earwitness.publish.own_words import PARTS
from earwitness.publish.page_data import calculator_data, calculator_json, calculator_script, player_data, player_script
from earwitness.publish.review import Review
from earwitness.publish.site.corrections import Correction
from earwitness.publish.site.five_minutes import five_minutes, number_parts, value_parts
from earwitness.render.html import chart_script, figure_html, numbers_html, numbers_script, table_html
from earwitness.render.theme import base_css, theme_css

if TYPE_CHECKING:
    from markupsafe import Markup

CHART_WIDTH_PX = 960
FIRST_WIDTH_PX = 856
PAIR_WIDTH_PX = 624
PAGE = "index.html"
NUMBERS = "numbers.html"
_NOT_HTML = re.compile("[^\t\n\r\x20-\x7e\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
GENERATOR = f"Earwitness {__version__}"
_SECTIONS = table_of("publish", "review")["sections"]
# What versions that kept no record of their files wrote into a page's folder.
_USUAL = frozenset(
    f"{PAGE} {NUMBERS} numbers.js style.css charts.js calculators.js player.js compare.js corrections.html preview.png "
    "loudspeaker.json downloads/curves.csv downloads/directivity.csv downloads/figures.csv downloads/charts.json "
    "downloads/numbers.zip downloads/equalizer.txt downloads/equalizer.json downloads/directivity.sofa".split()
)
_REVIEW = b'<p class="kind">Review of a loudspeaker</p>'
_MARK = b'<meta name="generator" content="Earwitness '


@dataclass(frozen=True, slots=True)
class WrittenPage:
    """page : path of the index.html; lines : what became of files that the tester put into the folder or changed."""

    page: Path
    lines: tuple[str, ...]


def write_review(
    review: Review, folder: Path, *, more: Mapping[str, bytes] | None = None, shared: str = ""
) -> WrittenPage:
    """Write `review` as `folder`; of an older review in that folder all that the program wrote is replaced.

    more : further files of the folder, by name; shared : path from the page to the folder of `shared_files`, which is
    then not written; "" to have them beside the page. The same review gives the same bytes (the SOFA file as far as its
    writer does). Nothing of the folder changes until all is written; see `publish.keeping` for what is not the
    program's. Raises OutputError where the folder holds no review, or may not or cannot be written.
    """
    from markupsafe import Markup

    folder = Path(folder).absolute()
    _refuse_foreign(folder)

    def fill(fresh: Path) -> None:
        downloads, numbers = write_downloads(review, fresh), Markup(numbers_html(review.charts))
        for name, content in {
            **{photo.name: photo.picture.data for photo in review.photos},
            PAGE: page_html(review, downloads, shared=shared).encode(),
            NUMBERS: rendered(
                "numbers.html.jinja", title=review.title, shared=shared, page=PAGE, numbers=numbers
            ).encode(),
            "numbers.js": numbers_script(review.charts).encode(),
            **({} if shared else shared_files()),
            **(more or {}),
        }.items():
            (fresh / name).parent.mkdir(exist_ok=True)
            (fresh / name).write_bytes(content)

    try:
        lines = put_folder(folder, fill, usual=_USUAL)
    except OSError as error:
        raise cannot_write("the review", folder, error, remedy="what was there before is untouched") from error
    return WrittenPage(folder / PAGE, lines)


def page_html(review: Review, downloads: tuple[Download, ...], *, shared: str = "") -> str:
    """The page as text. shared : as in `write_review`."""
    from markupsafe import Markup

    read, ask, hear = five_minutes(review), calculator_data(review), player_data(review)
    sections: list[dict[str, Any]] = [{"id": key, "title": title, "exhibits": []} for key, title in _SECTIONS.items()]
    for exhibit in read.others:
        part = next(section for section in sections if section["id"] == _section_of(exhibit.key))
        part["exhibits"].append(_shown(exhibit, CHART_WIDTH_PX))
    return rendered(
        "page.html",
        review=review,
        shared=shared,
        verdict=Markup(review.own_words.html("verdict")),
        own_words=[
            (PARTS[key], Markup(review.own_words.html(key))) for key in review.own_words.parts if key != "verdict"
        ],
        first=None if read.first is None else _shown(read.first, FIRST_WIDTH_PX),
        charts=[_shown(one, PAIR_WIDTH_PX) for one in read.charts],
        read=read,
        ask=ask,
        ask_json=Markup(calculator_json(ask)),
        hear=hear,
        hear_json=Markup(calculator_json(hear)),
        slopes=[(slope, slope_words(slope)) for slope in ("BW2", "LR4", "BW1", "LR2", "BW3", "BW4", "LR8")],
        headlines=[(one, *value_parts(one)) for one in review.headlines],
        key_words=KEY_WORDS,
        size=dict(review.facts)["Size (w × h × d)"],
        price=dict(review.facts)["Price"],
        sections=[one for one in sections if one["exhibits"] or one["id"] == "measured"],
        figures=Markup(table_html(review.figures)),
        corrections=[(one, Markup(_changes_html(one))) for one in review.corrections],
        quality=Markup(table_html(review.quality)) if review.quality is not None else "",
        downloads=[(file, file.path.rsplit("/", 1)[-1], _size_words(file.size_bytes)) for file in downloads],
        coverage=COVERAGE_SENTENCE,
    )


def rendered(template: str, **values: object) -> str:
    """A template of the site, filled in: escaped, without characters that HTML and XML forbid."""
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    environment = Environment(
        loader=FunctionLoader(asset),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_printable,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters |= {"number_parts": number_parts, "whole_units": _whole_units}
    return environment.get_template(template).render(generator=GENERATOR, **values)


def _printable(value: object) -> object:
    """A value for the template; characters that HTML does not allow are replaced in plain text."""
    if isinstance(value, str) and not hasattr(value, "__html__"):
        return _NOT_HTML.sub("\N{REPLACEMENT CHARACTER}", value)
    return value


def _whole_units(words: str) -> Markup:
    """Words in which a unit with a stroke is not torn at the end of a line."""
    from markupsafe import Markup, escape

    return Markup(str(escape(_printable(words))).replace("dB/oct", '<span class="whole">dB/oct</span>'))


def _section_of(key: str) -> str:
    """Heard, measured, mended or match: where an exhibit stands on the page."""
    return next(
        (section for start, section in table_of("publish", "review")["places"].items() if key.startswith(start)),
        "measured",
    )


def section_title_of(key: str) -> str:
    """Title of the part of the page in which an exhibit stands."""
    return str(_SECTIONS[_section_of(key)])


@cache
def shared_files() -> dict[str, bytes]:
    """Style sheet and scripts, which are the same for every review, by name."""
    # The theme of the charts, what all pages share, then the page.
    made = {"style.css": f"{theme_css()}\n{base_css()}\n{asset('page.css')}", "charts.js": chart_script()}
    made |= {"calculators.js": calculator_script(), "player.js": player_script()}
    return {name: text.encode() for name, text in made.items()}


def shared_folder() -> str:
    """Name of their folder in a site. Another version has another, so that a page that stays finds its own."""
    return f"shared-{sha256(b''.join(shared_files().values())).hexdigest()[:8]}"


def _shown(exhibit: Chart | Table, width_px: int) -> dict[str, Any]:
    from markupsafe import Markup

    chart = isinstance(exhibit, Chart)
    html = figure_html(exhibit, width_px, numbers_at=NUMBERS) if isinstance(exhibit, Chart) else table_html(exhibit)
    return {"id": exhibit.key.replace("_", "-"), "title": exhibit.title, "is_chart": chart, "html": Markup(html)}


def _changes_html(one: Correction) -> str:
    """The figures that a later publication changed as a table; "" where it changed none."""
    if not one.changes:
        return ""
    rows = tuple((change.name, change.before, change.after) for change in one.changes)
    title = f"What revision {one.revision} changed"
    columns = ("Figure", "Before", "Now")
    return table_html(Table(f"changes-{one.revision}", title, columns, ("left", "left", "left"), rows))


def asset(name: str) -> str:
    """The text of a file of the site."""
    return file_text("publish", f"site/{name}")


def _refuse_foreign(folder: Path) -> None:
    """OutputError where `folder` is a file, or a folder with something in it that is no review of ours."""
    remedy = "give a new or empty folder, or one that holds an earlier review"
    try:
        if folder.exists() and not folder.is_dir():
            raise OutputError("the review needs a folder, and this is a file", where=str(folder), remedy=remedy)
        if not folder.is_dir() or not any(folder.iterdir()):
            return
        page = folder / PAGE
        text = page.read_bytes() if page.is_file() else b""
        ours = _MARK in text[:2000] and _REVIEW in text
    except OSError as error:
        what = f"the folder cannot be looked into: {error.strerror or error}"
        raise OutputError(what, where=str(folder), remedy="give a folder you may read and write") from error
    if not ours:
        raise OutputError("the folder holds something that is no review", where=str(folder), remedy=remedy)


def _size_words(size_bytes: int) -> str:
    if size_bytes < 1000:
        return f"{size_bytes} bytes"
    return f"{size_bytes / 1e3:.0f} kB" if size_bytes < 1e6 else f"{size_bytes / 1e6:.1f} MB"
