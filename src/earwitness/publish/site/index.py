"""What of a site holds all loudspeakers: index, plain list, corrections, and the feed (Atom, RFC 4287); and the cards,
what it knows of a loudspeaker without opening its page."""

import json
import math
import re
import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any, Final

import numpy as np

from earwitness import __version__
from earwitness.errors import FormatError
from earwitness.exhibits.chart import Chart, Table
from earwitness.exhibits.figures_table import SIGNED
from earwitness.exhibits.record import record
from earwitness.exhibits.words import figure_words
from earwitness.figures.registry import FIGURES
from earwitness.files.data import table_of
from earwitness.publish.review import Review
from earwitness.publish.site.corrections import Correction
from earwitness.publish.site.write import CHART_WIDTH_PX, asset, rendered
from earwitness.quantities import Curve, Figure
from earwitness.render.html import chart_script, figure_html, table_html
from earwitness.render.theme import base_css, theme_css
from earwitness.render.traces import tiny_curve

SITE_FORMAT: Final = 1
_INDEX: Final = table_of("publish", "index")
COLUMNS: Final[tuple[tuple[str, str, str, bool], ...]] = tuple(map(tuple, _INDEX["columns"]))
COMPARED: Final[tuple[tuple[str, str], ...]] = tuple(map(tuple, _INDEX["compared"]))
_PER_OCTAVE: Final = 12
_ADDRESS: Final = re.compile("[a-z0-9]+(?:-[a-z0-9]+)*")
_PIECES: Final = {"piece": 2.0, "pair": 1.0}


@dataclass(frozen=True, slots=True)
class Card:
    """A published loudspeaker.

    address : of its folder, never given to another; name_key : maker and name as they compare; price : of a pair;
    updated : ISO 8601, UTC; figures : by key, (value, ends of its 95 % interval, unit, bound, words);
    made_from : what the page was made from, so that an unchanged one is left alone
    measured : which unit and variant, and what else was measured of it; curve : the listening window as path of an SVG
    of 90 x 36 px; photo : what its picture, photos/row.jpg, shows
    """

    address: str
    name_key: str
    title: str
    type: str
    price: float | None
    currency: str | None
    date: str
    revision: str
    updated: str
    invented: bool
    summary: str
    made_from: str
    figures: dict[str, tuple[float, float, float, str, str, str]]
    measured: str = ""
    curve: str = ""
    photo: str = ""


_TEXTS: Final = tuple(field.name for field in fields(Card) if field.type is str)


def card_of(review: Review, *, address: str, name_key: str, updated: str, made_from: str) -> Card:
    """The card of a review."""
    spoken = review.loudspeaker
    price = None if spoken.price is None else spoken.price.amount * _PIECES[spoken.price.per]
    figures = {
        key: (_short(f.value), *_ends(f), f.unit, f.bound, figure_words(f, sign=key in SIGNED))
        for key, f in review.reading.figures.items()
        if key in FIGURES and f.value is not None
    }
    return Card(
        address=address,
        name_key=name_key,
        **record(review, "title date revision summary"),
        type=spoken.type,
        price=price,
        currency=None if spoken.price is None else spoken.price.currency,
        updated=updated,
        invented=bool(review.invented),
        made_from=made_from,
        figures=figures,
        measured="; also ".join(filter(None, (review.state, ", ".join(review.others)))),
        curve=tiny_curve(review.reading.curves.get("listening_window")),
        photo=review.photos[0].alt if review.photos else "",
    )


def address_of(title: str, taken: Iterable[str]) -> str:
    """A new address from a title: letters, digits and hyphens, none of those taken."""
    base = re.sub("[^a-z0-9]+", "-", title.lower()).strip("-")[:80] or "loudspeaker"
    used, number, found = set(taken), 2, base
    while found in used:
        found, number = f"{base}-{number}", number + 1
    return found


def site_json(cards: Iterable[Card], *, title: str, base_url: str) -> str:
    """The site's own record, which is also its index for machines."""
    names = [field.name for field in fields(Card)]
    # Not asdict: it copies every number of every card, which took a third of the time where nothing had changed.
    rows = [{name: getattr(card, name) for name in names} for card in cards]
    document = {"format": SITE_FORMAT, "title": title, "base_url": base_url, "loudspeakers": rows}
    return json.dumps(document, ensure_ascii=False, separators=(",", ":"), allow_nan=False) + "\n"


def cards_from(text: str, *, where: str) -> tuple[Card, ...]:
    """The cards of a site's record. Raises FormatError for what is none."""
    try:
        document = json.loads(text)
        if document["format"] != SITE_FORMAT:
            raise ValueError(f"format {document['format']}")
        cards = tuple(_card(one) for one in document["loudspeakers"])
        if len({card.address for card in cards}) != len(cards):
            raise ValueError("an address is there twice")
        return cards
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError, OverflowError) as error:
        raise FormatError.of("publish.site_record_unreadable", where=where, reason=str(error)[:200]) from error


def loudspeaker_json(review: Review, card: Card, corrections: object) -> str:
    """The JSON of one loudspeaker: facts, all figures with uncertainty and method, corrections."""
    document = {
        "format": SITE_FORMAT,
        **record(card, "address title"),
        "invented": review.invented,
        "loudspeaker": review.loudspeaker.model_dump(mode="json", by_alias=True),
        "tester": review.tester.model_dump(mode="json"),
        **record(card, "date revision updated"),
        "figures": {
            key: {
                **record(f, "value", standard_uncertainty="u", unit="unit", bound="bound", interval_95="interval"),
                "method": f.method,
                "not_judged": f.reason or None,
                "words": figure_words(f),
            }
            for key, f in review.reading.figures.items()
        },
        "corrections": corrections,
    }
    return json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def compare_js(review: Review, card: Card) -> str:
    """The curves that the index lays over each other, as a script: a page opened from disk may not fetch data."""
    hz = grid_hz()
    curves = {key: _sampled(review.reading.curves[key], hz) for key, _ in COMPARED if key in review.reading.curves}
    text = json.dumps({"address": card.address, "curves": curves}, separators=(",", ":"), allow_nan=False)
    return f"earwitnessCurves({_in_script(text)});\n"


def index_js(cards: Iterable[Card], *, title: str) -> str:
    """The index's data as a script."""
    rows = [
        [
            *record(c, "address title type price currency date").values(),
            int(c.invented),
            {key: c.figures[key] for key, *_ in COLUMNS if key in c.figures},
            *record(c, "measured curve photo").values(),
        ]
        for c in cards
    ]
    document = {
        "title": title,
        "columns": COLUMNS,
        "compared": COMPARED,
        "hz": [float(f"{f:.6g}") for f in grid_hz()],
        "rows": rows,
    }
    text = json.dumps(document, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return f"const earwitnessSite = {_in_script(text)};\n"


def grid_hz() -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Twelve frequencies an octave from 20 Hz to 20 kHz, through 1 kHz."""
    low, high = int(np.ceil(_PER_OCTAVE * np.log2(0.02))), int(np.floor(_PER_OCTAVE * np.log2(20.0)))
    return np.asarray(1000.0 * 2.0 ** (np.arange(low, high + 1) / _PER_OCTAVE))


def _card(facts: Mapping[str, Any]) -> Card:
    figures = {key: _figure(key, parts) for key, parts in facts["figures"].items()}
    card = Card(**{**facts, "figures": figures})
    if not all(isinstance(getattr(card, name), str) for name in _TEXTS) or not isinstance(card.invented, bool):
        raise ValueError("a loudspeaker has something else than text where text stands")
    if not (_is_number(card.price) or card.price is None) or not (
        card.currency is None or isinstance(card.currency, str)
    ):
        raise ValueError("a price is no number")
    # An address is a folder's name, and must not lead elsewhere.
    if not _ADDRESS.fullmatch(card.address):
        raise ValueError(f"{card.address[:60]!r} is no address of a loudspeaker")
    return card


def _figure(key: str, parts: Any) -> tuple[float, float, float, str, str, str]:
    if len(parts) != 6 or not all(map(_is_number, parts[:3])) or not all(isinstance(one, str) for one in parts[3:]):
        raise ValueError(f"the figure {key[:60]!r} is no value with two ends, a unit, a bound and words")
    value, low, high, unit, bound, words = parts
    return value, low, high, unit, bound, words


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _sampled(curve: Curve, hz: np.ndarray[tuple[int], np.dtype[np.float64]]) -> list[list[float | None]]:
    """Values and expanded uncertainties on the grid; null where the curve is not valid."""
    at, had = np.log(hz), np.log(curve.axis.hz)
    valid = np.interp(at, had, curve.valid.astype(float), left=0.0, right=0.0) > 1.0 - 1e-9
    parts = (np.interp(at, had, curve.values), 2.0 * np.interp(at, had, curve.u_total))
    return [[round(float(v), 2) if ok else None for v, ok in zip(part, valid, strict=True)] for part in parts]


def _ends(figure: Figure) -> tuple[float, float]:
    """Ends of the 95 % interval of a judged figure."""
    value, arm = figure.judged_value, 2.0 * figure.judged_u
    low, high = figure.interval or (value - arm, value + arm)
    return _short(low), _short(high)


def _short(value: float) -> float:
    return float(f"{value:.6g}")


def _in_script(text: str) -> str:
    """JSON that may stand in a script of any page: no end of script, no line ends that old scripts know."""
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


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
