"""The feed of a site: Atom (RFC 4287)."""

import uuid
from collections.abc import Mapping, Sequence
from typing import Final

from earwitness import __version__
from earwitness.publish.site.cards import Card
from earwitness.publish.site.index import rendered

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
