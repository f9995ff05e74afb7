"""Publish a loudspeaker's review: the page, and beside it report, stills, talk and data set."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from earwitness.app.advice import advice_on
from earwitness.app.arrangement import arrangement_of, outdated_lines
from earwitness.app.beside import beside_others
from earwitness.app.jobs import Progress, part, silent
from earwitness.app.publications import kept_publication
from earwitness.app.published import keep_place
from earwitness.app.read import ReadResult, read_loudspeaker
from earwitness.app.words import own_words
from earwitness.archive.catalogue import Archive
from earwitness.archive.notes import sheets_of
from earwitness.errors import InputError, choice
from earwitness.exhibits.advice import Advice
from earwitness.publish.arrangement import arranged
from earwitness.publish.dataset import LICENSES, dataset_name, write_dataset
from earwitness.publish.place import clear_dead
from earwitness.publish.report import Paper, write_report
from earwitness.publish.review import Review, review_of
from earwitness.publish.site.corrections import publication_document
from earwitness.publish.site.write import write_review
from earwitness.publish.stills import Shape, write_stills
from earwitness.publish.talk import write_talk

TARGET = "page"


@dataclass(frozen=True, slots=True)
class Products:
    """What is made beside the page. report : paper, or None; stills : shapes; steps : with the steps that build each
    still up; license : of the data set, None for no data set."""

    report: Paper | None = None
    stills: tuple[Shape, ...] = ()
    steps: bool = False
    talk: bool = False
    license: str | None = None

    def __post_init__(self) -> None:
        if self.license is not None:
            choice("license", self.license, LICENSES)

    @property
    def is_none(self) -> bool:
        return not (self.report or self.stills or self.talk or self.license)


NO_PRODUCTS = Products()


@dataclass(frozen=True, slots=True)
class Published:
    """page : its first page; files : the products, in the order made; lines : what became of an edited talk."""

    page: Path
    files: tuple[Path, ...] = ()
    lines: tuple[str, ...] = ()


def publish_review(
    name: str,
    folder: Path,
    archive_folder: Path,
    *,
    products: Products = NO_PRODUCTS,
    material: Path | None = None,
    because: str = "",
    listening_distance_m: float | None = None,
    progress: Progress = silent,
) -> Published:
    """Write the review of the loudspeaker called `name` to `folder`, and the products to `material`.

    material : folder beside the page, which is replaced as a whole; None for `folder` with "-material" behind its
    name; because : why numbers change, for the corrections; listening_distance_m : as in `read_loudspeaker`. Raises as
    that, InputError for a material folder inside the page's or another license, and OutputError when something cannot
    be written.
    """
    result = read_loudspeaker(
        name, archive_folder, listening_distance_m=listening_distance_m, progress=part(progress, 0.0, 0.3)
    )
    progress(0.3, "findings and advice")
    advice = advice_on(result, archive_folder)
    rest = part(progress, 0.4, 1.0)
    return publish_result(
        result, advice, folder, archive_folder, products=products, material=material, because=because, progress=rest
    )


def publish_result(
    result: ReadResult,
    advice: Advice | None,
    folder: Path,
    archive_folder: Path,
    *,
    products: Products = NO_PRODUCTS,
    material: Path | None = None,
    because: str = "",
    progress: Progress = silent,
) -> Published:
    """As `publish_review`, for what was read already."""
    folder = Path(folder).absolute()
    place = Path(material).absolute() if material else folder.with_name(f"{folder.name}-material")
    if place == folder or folder in place.parents:
        raise InputError(
            "the material cannot lie in the folder of the page, which is made anew each time",
            where=str(place),
            remedy="give a folder beside it",
        )
    share = 1.0 if products.is_none else 0.3
    progress(0.0, "write the pages")
    review, told = review_for(result, archive_folder, advice=advice, because=because)
    page = write_review(review, folder)
    if products.is_none:
        keep_place(result.loudspeaker_id, page, (), archive_folder)
        progress(1.0, "written")
        return Published(page, lines=told)
    notes = _notes(result, archive_folder)
    files, lines = write_products(review, place, products, notes=notes, progress=part(progress, share, 1.0))
    keep_place(result.loudspeaker_id, page, files, archive_folder)
    return Published(page, files, (*told, *lines))


def review_for(
    result: ReadResult, archive_folder: Path, *, advice: Advice | None, because: str = ""
) -> tuple[Review, tuple[str, ...]]:
    """The review of a reading with the tester's words and choice of exhibits, and what to tell of them; the archive
    keeps what was published."""
    beside = beside_others(result, archive_folder)
    with Archive.open(archive_folder, create=False) as archive:
        words = own_words(archive, result.loudspeaker_id)
        chosen = arrangement_of(archive, result.loudspeaker_id)
        document = document_of(archive, result, because=because)
        revision, _ = kept_publication(archive, result.loudspeaker_id, TARGET, document)
    made = (result.reading, result.measurement, result.session)
    review = review_of(*made, revision=str(revision), advice=advice, beside=beside, own_words=words)
    return arranged(review, chosen), tuple(outdated_lines(review, chosen))


def document_of(archive: Archive, result: ReadResult, *, because: str = "") -> dict[str, object]:
    """What of a publication is kept, so that the next one can be compared with it."""
    session_key = archive.sessions_of(result.loudspeaker_id)[-1].key
    return publication_document(result.reading, date=result.session.date, session_key=session_key, because=because)


def write_products(
    review: Review,
    place: Path,
    products: Products,
    *,
    notes: dict[str, bytes] | None = None,
    progress: Progress = silent,
) -> tuple[tuple[Path, ...], tuple[str, ...]]:
    """Write the products into `place`: their paths, and what to tell of the talk. notes : for the data set."""
    files: list[Path] = []
    lines: list[str] = []
    for folder in (place, place / "stills"):
        clear_dead(folder)
    if products.report is not None:
        progress(0.0, "set the report")
        files.append(write_report(review, place / f"report-{products.report}.pdf", paper=products.report))
    for at, shape in enumerate(products.stills):
        progress(0.2 + 0.3 * at, f"draw the {shape} stills")
        files += write_stills(review, place / "stills", shape=shape, steps=products.steps)
    if products.talk:
        progress(0.8, "write the talk")
        made = write_talk(review, place / "talk.md")
        files.append(place / "talk.md")
        lines += [f"talk: {words}" for words in (*made.changed, *made.left_out)]
    if products.license is not None:
        progress(0.85, "pack the data set")
        path = place / f"{dataset_name(review)}.zip"
        files.append(write_dataset(review, path, license=products.license, extras=notes))
    progress(1.0, "written")
    return tuple(files), tuple(lines)


def write_result(
    result: ReadResult, folder: Path, *, advice: Advice | None = None, progress: Progress = silent
) -> Path:
    """Write the review of a reading to `folder`; the path of its first page. advice : what it means and what to do."""
    progress(0.0, "write the pages")
    page = write_review(review_of(result.reading, result.measurement, result.session, advice=advice), folder)
    progress(1.0, "written")
    return page


def _notes(result: ReadResult, archive_folder: Path) -> dict[str, bytes]:
    """Sealed listening sheets by their path in the data set: the facts that were sealed, with the seal."""
    spoken = result.session.loudspeaker
    with Archive.open(archive_folder, create=False) as archive:
        sheets = sheets_of(archive, name=spoken.name, maker=spoken.maker)
    return {
        f"notes/sheet-{number}.json": (
            f'{{"sealed_at":"{sheet.sealed_at}","sha256":"{sheet.sha256}","sheet":{sheet.facts}}}\n'
        ).encode()
        for number, sheet in enumerate(sheets, 1)
    }
