"""What of a site holds all loudspeakers: index, plain list, corrections, and the feed (Atom, RFC 4287)."""

import uuid
from collections.abc import Mapping, Sequence
from typing import Final

from earwitness import __version__
from earwitness.exhibits.chart import Chart, Table
from earwitness.publish.site.cards import COLUMNS, Card
from earwitness.publish.site.corrections import Correction
from earwitness.publish.site.write import CHART_WIDTH_PX, asset, rendered
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
    return f"{theme_css()}\n{base_css()}\n{asset(INDEX_CSS)}"


def index_script() -> str:
    """The script of the index."""
    return asset(INDEX_JS)


ATOM: Final = "http://www.w3.org/2005/Atom"
MOST_ENTRIES: Final = 50
# Names of entries must not change when a site moves (RFC 4287, section 4.2.6): made from the address alone.
_SPACE: Final = uuid.UUID("6f2c1e0a-5d0b-5b57-9a5e-5b4f6c9d2a11")


def atom_feed(
    cards: Sequence[Card], *, title: str, base_url: str, author: str, changed: Mapping[str, str] | None = None
) -> bytes:
    """The latest publications, newest first. base_url : of the site with its last slash; "" makes links relative;
    changed : by address, what a re-publication changed."""
    return rendered(
        "feed.xml.jinja",
        cards=sorted(cards, key=lambda c: (c.updated, c.address), reverse=True)[:MOST_ENTRIES],
        title=title,
        base_url=base_url,
        author=author,
        changed=changed or {},
        version=__version__,
        name_of=lambda words: f"urn:uuid:{uuid.uuid5(_SPACE, words)}",
    ).encode()
