"""The pages of a site, one loudspeaker each: in this process or over several, the same bytes either way."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from earwitness.app.advice import advice_on
from earwitness.app.arrangement import arrangement_of
from earwitness.app.beside import Others, beside_others, others_of
from earwitness.app.publications import corrections_at, kept_publication
from earwitness.app.read import read_loudspeaker
from earwitness.app.rebuild import rebuild_session
from earwitness.app.words import own_words
from earwitness.archive.catalogue import Archive
from earwitness.archive.latest import Latest
from earwitness.archive.notes import record_opening
from earwitness.errors import EarwitnessError
from earwitness.publish.arrangement import arranged
from earwitness.publish.review import Review, review_of
from earwitness.publish.site import index as pages
from earwitness.publish.site.cards import Card, card_of, compare_js, loudspeaker_json
from earwitness.publish.site.corrections import publication_document
from earwitness.publish.site.write import write_review
from earwitness.publish.stills import stills_of

# Fewer pages than this are not worth the start of a process.
_WORTH_A_PROCESS = 4


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


def open_all(jobs: Sequence[PageJob], archive_folder: Path) -> None:
    """Note that the data of all these loudspeakers are being shown: a site shows them to whoever opens it."""
    with Archive.open(archive_folder, create=False) as archive:
        for job in jobs:
            record_opening(archive, name=job.entry.name, maker=job.entry.maker)


@contextmanager
def written_pages(jobs: Sequence[PageJob], archive_folder: Path, *, workers: int | None) -> Iterator[Iterator[Card]]:
    """The cards of the pages, as they are done.

    workers : processes, None for one a core. What a page says of others is what the archive holds before the first of
    them is written. Raises as reading and writing do; pages that were done stay.
    """
    if not jobs:
        yield iter(())
        return
    count = min(workers or os.cpu_count() or 1, len(jobs))
    if count <= 1 or (workers is None and len(jobs) < _WORTH_A_PROCESS):
        if len(jobs) > 1:
            for job in jobs:
                _index(job)
        others = others_of(archive_folder)
        yield (write_page(job, others) for job in jobs)
        return
    import multiprocessing

    # Spawned, not forked: libraries with threads of their own do not survive a fork.
    context = multiprocessing.get_context("spawn")
    try:
        with ProcessPoolExecutor(count, mp_context=context) as pool:
            list(pool.map(_index, jobs))
        others = others_of(archive_folder)
        pool = ProcessPoolExecutor(count, mp_context=context, initializer=_begin, initargs=(others,))
        try:
            futures = [pool.submit(_write_here, job) for job in jobs]
            yield (future.result() for future in as_completed(futures))
        finally:
            pool.shutdown(cancel_futures=True)
    except BrokenProcessPool as error:
        raise EarwitnessError(
            "a process that wrote pages was ended from outside, perhaps for lack of memory; what was done is kept",
            where=jobs[0].folder,
            remedy="run the same command again, with fewer --workers",
        ) from error


def write_page(job: PageJob, others: Others) -> Card:
    """Write the page of one loudspeaker with all that lies in its folder; its card."""
    archive_folder, entry = Path(job.archive_folder), job.entry
    result = read_loudspeaker(f"{entry.maker} {entry.name}", archive_folder)
    advice = advice_on(result, archive_folder)
    beside = beside_others(result, archive_folder, others=others)
    with Archive.open(archive_folder, create=False) as archive:
        document = publication_document(
            result.reading, date=result.session.date, session_key=entry.session_key, because=job.because
        )
        revision, published = kept_publication(archive, entry.loudspeaker_id, job.target, document)
        generated = review_of(
            result.reading,
            result.measurement,
            result.session,
            revision=str(revision),
            advice=advice,
            beside=beside,
            own_words=own_words(archive, entry.loudspeaker_id),
        )
        review = arranged(generated, arrangement_of(archive, entry.loudspeaker_id))
        log = corrections_at(archive, entry.loudspeaker_id, job.target)
    card = card_of(
        review, address=job.address, name_key=job.name_key, updated=published.created_at, made_from=job.made_from
    )
    place = Path(job.folder) / "loudspeakers" / job.address
    preview = _preview(review)
    corrections = pages.corrections_html(review.title, {job.address: (review.title, log)}, home="../../")
    more = {
        "compare.js": compare_js(review, card).encode(),
        "corrections.html": corrections.encode(),
        **({} if preview is None else {"preview.png": preview}),
        "loudspeaker.json": loudspeaker_json(review, card, [asdict(one) for one in log]).encode(),
    }
    write_review(review, place, more=more)
    return card


def _preview(review: Review) -> bytes | None:
    """A picture of the first chart, for those who link to the page."""
    made = stills_of(replace(review, exhibits=review.charts[:1])) if review.charts else ()
    return made[0].png if made else None


def _index(job: PageJob) -> None:
    """Bring the search index up to date for one loudspeaker; a fault of it shows when its page is written."""
    rebuild_session(job.archive_folder, job.entry.session_id)


_OTHERS: list[Others] = []


def _begin(others: Others) -> None:
    """In a process of its own, once: what all its pages say of others."""
    _OTHERS[:] = [others]


def _write_here(job: PageJob) -> Card:
    return write_page(job, _OTHERS[0])
