"""Publish every loudspeaker of the archive as one site; only what changed is written anew."""

import hashlib
import json
import os
from collections.abc import Generator, Iterable, Mapping, Sequence
from contextlib import closing
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from urllib.parse import urlsplit

from earwitness import __version__
from earwitness.app.advice import advice_on
from earwitness.app.archive import rebuild_session
from earwitness.app.compare import KnownPeers, others_of
from earwitness.app.jobs import ENDED, Progress, each_done, silent
from earwitness.app.publish import corrections_at, review_for
from earwitness.app.read import read_loudspeaker
from earwitness.app.settings import chosen_from, distance_setting, kept_distance
from earwitness.archive.catalogue import Archive
from earwitness.archive.latest import Latest, latest_sessions
from earwitness.archive.notes import record_opening
from earwitness.errors import EarwitnessError, InputError, OutputError, named
from earwitness.figures.level_series import SEAT_M
from earwitness.files.durable import clear_dead, write_bytes
from earwitness.formats.photo import png_in_few_colors, smaller
from earwitness.publish.site import index as pages
from earwitness.publish.site.corrections import Correction, change_words
from earwitness.publish.site.write import shared_files, shared_folder, write_review
from earwitness.publish.stills import stills_of

# Fewer pages than this are not worth the start of a process.
_WORTH_A_PROCESS = 4
# Of a row's picture: three times its height on the screen.
_ROW_PX = 192
# Of the picture for those who link to a page: what such programs show at most (common practice, no source).
_PREVIEW_PX = 1200


@dataclass(frozen=True, slots=True)
class PageJob:
    """A page to be written. folder : of the site; target : what the publication is kept under; made_from : for its
    card; because : why numbers change."""

    archive_folder: str
    folder: str
    entry: Latest
    made_from: str
    address: str
    target: str
    because: str

    @property
    def title(self) -> str:
        return f"{self.entry.maker} {self.entry.name}"


@dataclass(frozen=True, slots=True)
class NoPage:
    """A page that could not be written; one that was there before stays."""

    job: PageJob
    error: EarwitnessError


def open_all(jobs: Sequence[PageJob], archive_folder: Path) -> None:
    """Note that the data of all these loudspeakers are being shown: a site shows them to whoever opens it."""
    with Archive.open(archive_folder, create=False) as archive:
        for job in jobs:
            record_opening(archive, name=job.entry.name, maker=job.entry.maker)


def written_pages(
    jobs: Sequence[PageJob], archive_folder: Path, *, workers: int | None
) -> Generator[pages.Card | NoPage, None, None]:
    """The cards of the pages, as they are done, and what could not be written.

    workers : processes, None for one a core. What a page says of others is what the archive holds before the first of
    them is written. Raises where the archive as a whole cannot be read; pages that were done stay.
    """
    if not jobs:
        return
    count = workers or os.cpu_count() or 1
    if workers is None and len(jobs) < _WORTH_A_PROCESS:
        count = 1
    if len(jobs) > 1:
        # One whose process was lost is as any other with a fault: that shows when its page is written.
        for _ in each_done(_index, jobs, workers=count, lost=lambda _job: None):
            pass
    others = others_of(archive_folder)

    def lost(job: PageJob) -> NoPage:
        return NoPage(job, EarwitnessError(ENDED, where=job.title))

    yield from each_done(_write_here, jobs, workers=count, lost=lost, begin=_begin, given=(others,))


def write_page(job: PageJob, others: KnownPeers) -> pages.Card:
    """Write the page of one loudspeaker with all that lies in its folder; its card."""
    archive_folder = Path(job.archive_folder)
    result = read_loudspeaker(job.title, archive_folder)
    advice = advice_on(result, archive_folder)
    review, _, published = review_for(
        result, archive_folder, advice=advice, because=job.because, target=job.target, others=others
    )
    card = pages.card_of(
        review, address=job.address, name_key=job.entry.name_key, updated=published.created_at, made_from=job.made_from
    )
    place = Path(job.folder) / "loudspeakers" / job.address
    # A picture of the first chart, for those who link to the page.
    stills = stills_of(replace(review, exhibits=review.charts[:1])) if review.charts else ()
    corrections = pages.corrections_html(review.title, {job.address: (review.title, review.corrections)}, home="../../")
    more = {
        "compare.js": pages.compare_js(review, card).encode(),
        "corrections.html": corrections.encode(),
        **({"preview.png": png_in_few_colors(stills[0].png, _PREVIEW_PX)} if stills else {}),
        **({"photos/row.jpg": smaller(review.photos[0].picture, _ROW_PX).data} if review.photos else {}),
        "loudspeaker.json": pages.loudspeaker_json(review, card, [asdict(one) for one in review.corrections]).encode(),
    }
    write_review(review, place, more=more, shared=f"../../{shared_folder()}/")
    return card


def _index(job: PageJob) -> None:
    """Bring the search index up to date for one loudspeaker; a fault of it shows when its page is written."""
    rebuild_session(job.archive_folder, job.entry.session_id)


_OTHERS: list[KnownPeers] = []


def _begin(others: KnownPeers) -> None:
    """Once in every process that writes pages: what all of them say of others."""
    _OTHERS[:] = [others]


def _write_here(job: PageJob) -> pages.Card | NoPage:
    try:
        with named(job.title):
            return write_page(job, _OTHERS[0])
    except EarwitnessError as error:
        return NoPage(job, error)


RECORD = "site.json"
TITLE = "Loudspeakers, heard and measured"
# A change of what a page is made of, beside the version of the program.
_LAYOUT = 4


@dataclass(frozen=True, slots=True)
class SiteReport:
    """page : the index; written, unchanged : loudspeakers; kept : pages whose loudspeaker left the archive or was set
    aside; failed : loudspeakers whose page could not be written, with the error; a former page of theirs stays."""

    page: Path
    written: tuple[str, ...]
    unchanged: int
    kept: tuple[str, ...]
    failed: tuple[tuple[str, EarwitnessError], ...] = ()


def publish_site(
    folder: Path,
    archive_folder: Path,
    *,
    title: str = TITLE,
    base_url: str = "",
    author: str = "the tester",
    because: str = "",
    workers: int | None = None,
    progress: Progress = silent,
) -> SiteReport:
    """Write the site to `folder`, or bring the one that is there up to date.

    title, base_url, author : of the site and its feed; base_url is where it will stand, "" for relative links;
    because : why numbers change, for the corrections log. Addresses are permanent: a page whose loudspeaker has left
    the archive stays. workers : processes that write pages, None for one a core. Publishing shows the data of every
    loudspeaker whose page is written, so that listening sheets sealed later are marked as made with the data known.
    A loudspeaker whose page cannot be written is in the report, and the others go on. Raises InputError for a base URL
    that is none, FormatError for a damaged record of the site,
    OutputError when it cannot be written, ArchiveError as the archive does.
    """
    folder, base_url = Path(folder).absolute(), _base_url(base_url)
    cards = _known_cards(folder)
    clear_dead(folder)
    with Archive.open(archive_folder, create=False) as archive:
        seat_m = kept_distance(archive)
        wanted = {entry: made_from(entry, seat_m=seat_m) for entry in latest_sessions(archive)}
        by_name = {card.name_key: card for card in cards}
        current = {
            (name, card.made_from)
            for name, card in by_name.items()
            if (folder / "loudspeakers" / card.address / "loudspeaker.json").is_file()
        }
        changed = {entry: source for entry, source in wanted.items() if (entry.name_key, source) not in current}
        jobs = _jobs(changed, by_name, folder, archive_folder, target=base_url or "site", because=because)
        open_all(jobs, archive_folder)
        failed: list[NoPage] = []
        with closing(written_pages(jobs, archive_folder, workers=workers)) as done:
            for place, card in enumerate(done):
                if isinstance(card, NoPage):
                    failed.append(card)
                    progress((place + 1) / len(jobs), f"failed: {card.job.title}")
                    continue
                by_name[card.name_key] = card
                progress((place + 1) / len(jobs), card.title)
                # A run that is stopped goes on where it was, and no address is given twice.
                if place % 20 == 19:
                    write_bytes(
                        folder / RECORD, pages.site_json(_ordered(by_name), title=title, base_url=base_url).encode()
                    )
        logs = _logs(archive, wanted, by_name, base_url or "site")
    progress(1.0, "write the index")
    ordered = _ordered(by_name)
    page = _write_index(folder, ordered, logs, title=title, base_url=base_url, author=author)
    present = {entry.name_key for entry in wanted}
    missed = {one.job.entry.name_key for one in failed}
    return SiteReport(
        page,
        tuple(entry.name for entry in changed if entry.name_key not in missed),
        len(wanted) - len(changed),
        tuple(card.title for card in ordered if card.name_key not in present),
        tuple((one.job.title, one.error) for one in sorted(failed, key=lambda one: one.job.entry.name_key)),
    )


def _ordered(cards: Mapping[str, pages.Card]) -> list[pages.Card]:
    return sorted(cards.values(), key=lambda card: card.address)


def _jobs(
    changed: Mapping[Latest, str],
    cards: Mapping[str, pages.Card],
    folder: Path,
    archive_folder: Path,
    target: str,
    because: str,
) -> list[PageJob]:
    """The pages to write. Addresses are given in the order of the names, whoever writes first."""
    taken = [card.address for card in cards.values()]
    archive, site = str(archive_folder.resolve()), str(folder)
    found = []
    for entry, source in changed.items():
        known = cards.get(entry.name_key)
        address = known.address if known else pages.address_of(f"{entry.maker} {entry.name}", taken)
        taken.append(address)
        found.append(PageJob(archive, site, entry, source, address=address, target=target, because=because))
    return found


def made_from(entry: Latest, *, seat_m: float = SEAT_M) -> str:
    """Hash over all that a page is made from: program, sessions and what was chosen for its reduction, listening
    sheets, the tester's words and choice of exhibits, and the listening distance."""
    chosen = chosen_from(json.loads(entry.choice) if entry.choice else None, where=entry.name)
    parts = [__version__, _LAYOUT, entry.session_key, list(entry.sheets), list(entry.words), asdict(chosen)]
    parts += [*distance_setting(seat_m).values(), *entry.others]
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:32]


def _logs(
    archive: Archive, wanted: Iterable[Latest], cards: dict[str, pages.Card], target: str
) -> dict[str, tuple[str, tuple[Correction, ...]]]:
    """Corrections of those that have any: a second publication is seen from the card's revision."""
    found = {}
    for entry in wanted:
        card = cards.get(entry.name_key)
        if card is not None and card.revision != "1":
            log = corrections_at(archive, entry.loudspeaker_id, target)
            if log:
                found[card.address] = (card.title, log)
    return found


def _write_index(
    folder: Path,
    cards: Sequence[pages.Card],
    logs: dict[str, tuple[str, tuple[Correction, ...]]],
    *,
    title: str,
    base_url: str,
    author: str,
) -> Path:
    """The pages that hold all loudspeakers; a file that would not change is left as it is."""
    changed = {address: change_words(log) for address, (_, log) in logs.items()}
    texts = {
        pages.DATA_JS: pages.index_js(cards, title=title).encode(),
        pages.INDEX_JS: pages.index_script().encode(),
        pages.INDEX_CSS: pages.index_css().encode(),
        "all.html": pages.all_html(cards, title=title).encode(),
        "corrections.html": pages.corrections_html(title, logs, home="").encode(),
        "feed.xml": pages.atom_feed(cards, title=title, base_url=base_url, author=author, changed=changed),
        "index.html": pages.index_html(cards, title=title, base_url=base_url).encode(),
        **{f"{shared_folder()}/{name}": content for name, content in shared_files().items()},
        RECORD: pages.site_json(cards, title=title, base_url=base_url).encode(),
    }
    for name, content in texts.items():
        path = folder / name
        if not (path.is_file() and path.read_bytes() == content):
            write_bytes(path, content)
    return folder / "index.html"


def _known_cards(folder: Path) -> tuple[pages.Card, ...]:
    record = folder / RECORD
    if record.is_file():
        return pages.cards_from(record.read_text(encoding="utf-8"), where=str(record))
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise OutputError.of("app.folder_no_site", where=str(folder))
    return ()


def _base_url(given: str) -> str:
    if not given:
        return ""
    parts = urlsplit(given)
    if parts.scheme not in ("http", "https") or not parts.netloc or parts.query or parts.fragment:
        raise InputError(f"{given!r} is no address of a site", expected="such as https://example.org/loudspeakers/")
    return given if given.endswith("/") else given + "/"
