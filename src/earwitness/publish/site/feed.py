"""The feed of a site: Atom (RFC 4287)."""

from __future__ import annotations

import uuid
import xml.etree.ElementTree as ET
from collections.abc import Mapping, Sequence
from html import escape
from typing import Final

from earwitness import __version__
from earwitness.publish.site.cards import Card

ATOM: Final = "http://www.w3.org/2005/Atom"
MOST_ENTRIES: Final = 50
_EPOCH: Final = "1970-01-01T00:00:00+00:00"
# Names of entries must not change when a site moves (RFC 4287, section 4.2.6): made from the address alone.
_SPACE: Final = uuid.UUID("6f2c1e0a-5d0b-5b57-9a5e-5b4f6c9d2a11")


def atom_feed(
    cards: Sequence[Card], *, title: str, base_url: str, author: str, changed: Mapping[str, str] | None = None
) -> bytes:
    """The latest publications, newest first. base_url : of the site with its last slash; "" makes links relative;
    changed : by address, what a re-publication changed."""
    ET.register_namespace("", ATOM)
    feed = ET.Element(f"{{{ATOM}}}feed", {"{http://www.w3.org/XML/1998/namespace}lang": "en"})
    latest = sorted(cards, key=lambda c: (c.updated, c.address), reverse=True)[:MOST_ENTRIES]
    _put(feed, "id", f"urn:uuid:{uuid.uuid5(_SPACE, f'site {base_url} {title}')}")
    _put(feed, "title", title)
    _put(feed, "updated", latest[0].updated if latest else _EPOCH)
    _put(_put(feed, "author"), "name", author)
    _put(feed, "generator", "Earwitness", version=__version__)
    _put(feed, "link", rel="self", type="application/atom+xml", href=f"{base_url}feed.xml")
    _put(feed, "link", rel="alternate", type="text/html", href=f"{base_url}index.html")
    for card in latest:
        entry = _put(feed, "entry")
        _put(entry, "id", f"urn:uuid:{uuid.uuid5(_SPACE, card.address)}")
        _put(entry, "title", card.title + ("" if card.revision == "1" else f", revision {card.revision}"))
        _put(entry, "updated", card.updated)
        href = f"{base_url}loudspeakers/{card.address}/index.html"
        _put(entry, "link", rel="alternate", type="text/html", href=href)
        if card.photo:
            picture = f"{base_url}loudspeakers/{card.address}/photos/1.jpg"
            _put(entry, "link", rel="enclosure", type="image/jpeg", title=card.photo, href=picture)
            shown = f'<p><img src="{escape(picture)}" alt="{escape(_printable(card.photo))}"></p>'
            _put(entry, "content", f"{shown}<p>{escape(_printable(card.summary))}</p>", type="html")
        _put(entry, "category", term=card.type)
        told = ("Invented, for show." if card.invented else "", (changed or {}).get(card.address, ""), card.summary)
        _put(entry, "summary", " ".join(filter(None, (*told, card.measured and f"Measured: {card.measured}."))))
    ET.indent(feed, " ")
    text: bytes = ET.tostring(feed, encoding="utf-8", xml_declaration=True)
    return text + b"\n"


def _put(parent: ET.Element, name: str, text: str | None = None, **attributes: str) -> ET.Element:
    made = ET.SubElement(parent, f"{{{ATOM}}}{name}", attributes)
    made.text = None if text is None else _printable(text)
    return made


def _printable(text: str) -> str:
    """Text without the characters that XML 1.0 does not allow (section 2.2)."""
    return "".join(
        c if c in "\t\n\r" or " " <= c <= "\ud7ff" or "\ue000" <= c <= "\ufffd" or c > "\uffff" else "\ufffd"
        for c in text
    )
