"""The pages of a site that hold all loudspeakers: index, plain list, corrections."""

from collections.abc import Mapping, Sequence
from importlib.resources import files
from typing import Final

from earwitness import __version__
from earwitness.exhibits.chart import Chart, Table
from earwitness.publish.site.cards import COLUMNS, Card
from earwitness.publish.site.corrections import Correction
from earwitness.publish.site.five_minutes import number_parts
from earwitness.publish.site.write import CHART_WIDTH_PX
from earwitness.render.html import chart_script, figure_html, table_html
from earwitness.render.theme import base_css, theme_css

INDEX_CSS: Final = "index.css"
INDEX_JS: Final = "index.js"
DATA_JS: Final = "index-data.js"
# Rows that stand in the page itself, to be seen before any script has run.
FIRST_ROWS: Final = 50


def index_html(cards: Sequence[Card], *, title: str, base_url: str) -> str:
    """The index: search, sort, filters and comparison by script, a first part of the list without one."""
    first = sorted(cards, key=lambda c: c.title.casefold())[:FIRST_ROWS]
    newest = max(cards, key=lambda c: (c.updated, c.address), default=None)
    return rendered(
        "index.html.jinja",
        title=title,
        base_url=base_url,
        count=len(cards),
        types=sorted({c.type for c in cards}),
        currencies=sorted({c.currency for c in cards if c.currency}),
        columns=COLUMNS,
        rows=first,
        has_more=len(cards) > len(first),
        has_invented=any(c.invented for c in cards),
        preview="" if newest is None else f"{base_url}loudspeakers/{newest.address}/preview.png",
    )


def all_html(cards: Sequence[Card], *, title: str) -> str:
    """Every loudspeaker as a plain list, which needs no script."""
    return rendered("all.html.jinja", title=title, rows=sorted(cards, key=lambda c: c.title.casefold()))


def corrections_html(title: str, logs: Mapping[str, tuple[str, Sequence[Correction]]], *, home: str) -> str:
    """Corrections by loudspeaker: address to (title, corrections). home : path from the page to the site's folder."""
    return rendered("corrections.html.jinja", title=title, logs=logs, home=home)


# In the title of every page of a comparison, and of no other.
COMPARISON_MARK = ": beside each other</title>"


def comparison_html(charts: Sequence[Chart], tables: Sequence[Table], sentences: Sequence[str], *, title: str) -> str:
    """Loudspeakers beside each other, as one file that needs no other."""
    from markupsafe import Markup

    parts = [{"title": chart.title, "html": Markup(figure_html(chart, CHART_WIDTH_PX))} for chart in charts]
    parts += [{"title": table.title, "html": Markup(table_html(table))} for table in tables]
    css, script = Markup(index_css()), Markup(chart_script())
    return rendered("comparison.html.jinja", title=title, sentences=sentences, parts=parts, css=css, script=script)


def index_css() -> str:
    """Style sheet of the pages of this module."""
    return f"{theme_css()}\n{base_css()}\n{_asset(INDEX_CSS)}"


def index_script() -> str:
    """The script of the index."""
    return _asset(INDEX_JS)


def rendered(template: str, **values: object) -> str:
    """A template of the site, filled in: escaped, without characters that HTML and XML forbid."""
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    from earwitness.publish.site.write import _printable

    environment = Environment(
        loader=FunctionLoader(_asset),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_printable,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["number_parts"] = number_parts
    return environment.get_template(template).render(generator=f"Earwitness {__version__}", **values)


def _asset(name: str) -> str:
    return files("earwitness.publish.site").joinpath(name).read_text(encoding="utf-8")
