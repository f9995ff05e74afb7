"""Publish every loudspeaker of the archive as one site; only what changed is written anew."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from urllib.parse import urlsplit

from earwitness import __version__
from earwitness.app.advice import advice_on
from earwitness.app.jobs import Progress, silent
from earwitness.app.publications import corrections_at, kept_publication
from earwitness.app.read import read_loudspeaker
from earwitness.app.words import own_words
from earwitness.archive.catalogue import Archive
from earwitness.archive.latest import Latest, latest_sessions
from earwitness.errors import InputError, OutputError
from earwitness.publish.place import write_whole
from earwitness.publish.review import Review, review_of
from earwitness.publish.site import index as pages
from earwitness.publish.site.cards import (
    Card,
    address_of,
    card_of,
    cards_from,
    compare_js,
    index_js,
    loudspeaker_json,
    site_json,
)
from earwitness.publish.site.corrections import Correction, publication_document
from earwitness.publish.site.feed import atom_feed
from earwitness.publish.site.write import write_review
from earwitness.publish.stills import stills_of

RECORD = "site.json"
TITLE = "Loudspeakers, heard and measured"
# A change of what a page is made of, beside the version of the program.
_LAYOUT = 1


@dataclass(frozen=True, slots=True)
class SiteReport:
    """page : the index; written, unchanged : loudspeakers; kept : pages whose loudspeaker left the archive."""

    page: Path
    written: tuple[str, ...]
    unchanged: int
    kept: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Wanted:
    """A loudspeaker to be on the site. made_from : hash over all that its page is made from."""

    entry: Latest
    made_from: str

    @property
    def name_key(self) -> str:
        return "\n".join(self.entry.folded)


def publish_site(
    folder: Path,
    archive_folder: Path,
    *,
    title: str = TITLE,
    base_url: str = "",
    author: str = "the tester",
    because: str = "",
    progress: Progress = silent,
) -> SiteReport:
    """Write the site to `folder`, or bring the one that is there up to date.

    title, base_url, author : of the site and its feed; base_url is where it will stand, "" for relative links;
    because : why numbers change, for the corrections log. Addresses are permanent: a page whose loudspeaker has left
    the archive stays. Raises InputError for a base URL that is none, FormatError for a damaged record of the site,
    OutputError when it cannot be written, ArchiveError as the archive does.
    """
    folder, base_url = Path(folder).absolute(), _base_url(base_url)
    cards = _known_cards(folder)
    with Archive.open(archive_folder, create=False) as archive:
        wanted = _wanted(archive)
        by_name = {card.name_key: card for card in cards}
        changed = [one for one in wanted if not _is_current(folder, by_name.get(one.name_key), one)]
        for place, one in enumerate(changed):
            progress(place / len(changed), one.entry.name)
            known = by_name.get(one.name_key)
            taken = [card.address for card in by_name.values()]
            address = known.address if known else address_of(f"{one.entry.maker} {one.entry.name}", taken)
            by_name[one.name_key] = _publish_one(archive, one, folder, address, base_url or "site", because)
            # After each one: a run that is stopped goes on where it was, and no address is given twice.
            if place % 20 == 19:
                write_whole(folder / RECORD, site_json(by_name.values(), title=title, base_url=base_url).encode())
        logs = _logs(archive, wanted, by_name, base_url or "site")
    progress(1.0, "write the index")
    ordered = sorted(by_name.values(), key=lambda card: card.address)
    page = _write_index(folder, ordered, logs, title=title, base_url=base_url, author=author)
    present = {one.name_key for one in wanted}
    return SiteReport(
        page,
        tuple(one.entry.name for one in changed),
        len(wanted) - len(changed),
        tuple(card.title for card in ordered if card.name_key not in present),
    )


def made_from(session_key: str, sheets: Sequence[str], words: Sequence[str] = ()) -> str:
    """Hash over all that a page is made from: program, session, listening sheets, the tester's words."""
    parts = [__version__, _LAYOUT, session_key, list(sheets), list(words)]
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:32]


def _wanted(archive: Archive) -> list[_Wanted]:
    return [
        _Wanted(entry, made_from(entry.session_key, entry.sheets, entry.words)) for entry in latest_sessions(archive)
    ]


def _is_current(folder: Path, card: Card | None, one: _Wanted) -> bool:
    if card is None or card.made_from != one.made_from:
        return False
    return (folder / "loudspeakers" / card.address / "loudspeaker.json").is_file()


def _publish_one(archive: Archive, one: _Wanted, folder: Path, address: str, target: str, because: str) -> Card:
    result = read_loudspeaker(f"{one.entry.maker} {one.entry.name}", archive.folder)
    document = publication_document(
        result.reading, date=result.session.date, session_key=one.entry.session_key, because=because
    )
    revision, published = kept_publication(archive, one.entry.loudspeaker_id, target, document)
    review = review_of(
        result.reading,
        result.measurement,
        result.session,
        revision=str(revision),
        advice=advice_on(result, archive.folder),
        own_words=own_words(archive, one.entry.loudspeaker_id),
    )
    card = card_of(
        review, address=address, name_key=one.name_key, updated=published.created_at, made_from=one.made_from
    )
    log = corrections_at(archive, one.entry.loudspeaker_id, target)
    place = folder / "loudspeakers" / address
    write_review(review, place)
    write_whole(place / "compare.js", compare_js(review, card).encode())
    write_whole(
        place / "corrections.html",
        pages.corrections_html(review.title, {address: (review.title, log)}, home="../../").encode(),
    )
    preview = _preview(review)
    if preview is not None:
        write_whole(place / "preview.png", preview)
    # Last: its presence says that all of the folder is there.
    text = loudspeaker_json(review, card, [asdict(entry) for entry in log])
    write_whole(place / "loudspeaker.json", text.encode())
    return card


def _logs(
    archive: Archive, wanted: Sequence[_Wanted], cards: dict[str, Card], target: str
) -> dict[str, tuple[str, tuple[Correction, ...]]]:
    """Corrections of those that have any: a second publication is seen from the card's revision."""
    found = {}
    for one in wanted:
        card = cards[one.name_key]
        if card.revision != "1":
            log = corrections_at(archive, one.entry.loudspeaker_id, target)
            if log:
                found[card.address] = (card.title, log)
    return found


def _preview(review: Review) -> bytes | None:
    """A picture of the first chart, for those who link to the page."""
    made = stills_of(replace(review, exhibits=review.charts[:1])) if review.charts else ()
    return made[0].png if made else None


def _write_index(
    folder: Path,
    cards: Sequence[Card],
    logs: dict[str, tuple[str, tuple[Correction, ...]]],
    *,
    title: str,
    base_url: str,
    author: str,
) -> Path:
    """The pages that hold all loudspeakers; a file that would not change is left as it is."""
    texts = {
        pages.DATA_JS: index_js(cards, title=title).encode(),
        pages.INDEX_JS: pages.index_script().encode(),
        pages.INDEX_CSS: pages.index_css().encode(),
        "all.html": pages.all_html(cards, title=title).encode(),
        "corrections.html": pages.corrections_html(title, logs, home="").encode(),
        "feed.xml": atom_feed(cards, title=title, base_url=base_url, author=author),
        "index.html": pages.index_html(cards, title=title, base_url=base_url).encode(),
        RECORD: site_json(cards, title=title, base_url=base_url).encode(),
    }
    for name, content in texts.items():
        path = folder / name
        if not (path.is_file() and path.read_bytes() == content):
            write_whole(path, content)
    return folder / "index.html"


def _known_cards(folder: Path) -> tuple[Card, ...]:
    record = folder / RECORD
    if record.is_file():
        return cards_from(record.read_text(encoding="utf-8"), where=str(record))
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise OutputError(
            "the folder holds something that is no site",
            where=str(folder),
            remedy="give a new or empty folder, or one that holds a site of this program",
        )
    return ()


def _base_url(given: str) -> str:
    if not given:
        return ""
    parts = urlsplit(given)
    if parts.scheme not in ("http", "https") or not parts.netloc or parts.query or parts.fragment:
        raise InputError(f"{given!r} is no address of a site", expected="such as https://example.org/loudspeakers/")
    return given if given.endswith("/") else given + "/"
