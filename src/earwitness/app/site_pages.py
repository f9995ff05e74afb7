"""The pages of a site, one loudspeaker each: in this process or over several, the same bytes either way."""

import os
from collections.abc import Generator, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from earwitness.app.advice import advice_on
from earwitness.app.beside import Others, others_of
from earwitness.app.processes import ENDED, each_done
from earwitness.app.publish import review_for
from earwitness.app.read import read_loudspeaker
from earwitness.app.rebuild import rebuild_session
from earwitness.archive.catalogue import Archive
from earwitness.archive.latest import Latest
from earwitness.archive.notes import record_opening
from earwitness.errors import EarwitnessError, named
from earwitness.formats.photo import png_in_few_colors, smaller
from earwitness.publish.review import Review
from earwitness.publish.site import index as pages
from earwitness.publish.site.cards import Card, card_of, compare_js, loudspeaker_json
from earwitness.publish.site.write import shared_folder, write_review
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
    def name_key(self) -> str:
        return "\n".join(self.entry.folded)

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
) -> Generator[Card | NoPage, None, None]:
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
        for _ in each_done(_index, jobs, workers=count, lost=_index_lost):
            pass
    others = others_of(archive_folder)
    yield from each_done(_write_here, jobs, workers=count, lost=_page_lost, begin=_begin, given=(others,))


def write_page(job: PageJob, others: Others) -> Card:
    """Write the page of one loudspeaker with all that lies in its folder; its card."""
    archive_folder = Path(job.archive_folder)
    result = read_loudspeaker(job.title, archive_folder)
    advice = advice_on(result, archive_folder)
    review, _, published = review_for(
        result, archive_folder, advice=advice, because=job.because, target=job.target, others=others
    )
    card = card_of(
        review, address=job.address, name_key=job.name_key, updated=published.created_at, made_from=job.made_from
    )
    place = Path(job.folder) / "loudspeakers" / job.address
    preview = _preview(review)
    corrections = pages.corrections_html(review.title, {job.address: (review.title, review.corrections)}, home="../../")
    more = {
        "compare.js": compare_js(review, card).encode(),
        "corrections.html": corrections.encode(),
        **({} if preview is None else {"preview.png": preview}),
        **({"photos/row.jpg": smaller(review.photos[0].picture, _ROW_PX).data} if review.photos else {}),
        "loudspeaker.json": loudspeaker_json(review, card, [asdict(one) for one in review.corrections]).encode(),
    }
    write_review(review, place, more=more, shared=f"../../{shared_folder()}/")
    return card


def _preview(review: Review) -> bytes | None:
    """A picture of the first chart, for those who link to the page."""
    made = stills_of(replace(review, exhibits=review.charts[:1])) if review.charts else ()
    return png_in_few_colors(made[0].png, _PREVIEW_PX) if made else None


def _index(job: PageJob) -> None:
    """Bring the search index up to date for one loudspeaker; a fault of it shows when its page is written."""
    rebuild_session(job.archive_folder, job.entry.session_id)


def _index_lost(_job: PageJob) -> None:
    """As for any other fault of it."""


def _page_lost(job: PageJob) -> NoPage:
    return NoPage(job, EarwitnessError(ENDED, where=job.title))


_OTHERS: list[Others] = []


def _begin(others: Others) -> None:
    """Once in every process that writes pages: what all of them say of others."""
    _OTHERS[:] = [others]


def _write_here(job: PageJob) -> Card | NoPage:
    try:
        with named(job.title):
            return write_page(job, _OTHERS[0])
    except EarwitnessError as error:
        return NoPage(job, error)
