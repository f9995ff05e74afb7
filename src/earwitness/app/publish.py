"""Publish a loudspeaker's review: the page, report, stills, talk and data set; and what was published where."""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Annotated, Literal

from pydantic import ConfigDict, Field

from earwitness.app.advice import advice_on
from earwitness.app.compare import KnownPeers, compare_with_peers, family_of
from earwitness.app.jobs import Progress, part, silent
from earwitness.app.read import ReadResult, read_loudspeaker
from earwitness.app.settings import own_words as own_words_of
from earwitness.archive.catalogue import Archive
from earwitness.archive.drafts import draft, save_draft
from earwitness.archive.entries import PublicationEntry
from earwitness.archive.latest import ARRANGEMENT, keep_next, kept_last
from earwitness.archive.notes import sheets_of
from earwitness.errors import EarwitnessError, InputError, choice, named
from earwitness.exhibits.advice import Advice
from earwitness.exhibits.chart import Chart
from earwitness.exhibits.compare import Family
from earwitness.files.data import table_of
from earwitness.files.durable import clear_dead, write_bytes
from earwitness.publish.arrangement import (
    AS_GENERATED,
    Arrangement,
    arranged,
    arrangement_for,
    from_document,
    outdated,
    to_document,
)
from earwitness.publish.downloads import LICENSES, dataset_name, write_dataset
from earwitness.publish.own_words import NO_WORDS, OwnWords
from earwitness.publish.report import Paper, write_report
from earwitness.publish.review import Review, five_minutes, photos_of, review_of
from earwitness.publish.site.corrections import Correction, corrections_of, publication_document
from earwitness.publish.site.index import address_of
from earwitness.publish.site.write import PAGE, write_review
from earwitness.publish.stills import Shape, still_name, write_build_ups, write_stills
from earwitness.publish.talk import caption_files, spoken_parts, write_talk


def arrangement_of(archive: Archive, loudspeaker_id: int) -> Arrangement:
    """The choice that was kept last; as generated where there is none."""
    document = kept_last(archive, loudspeaker_id, ARRANGEMENT)
    return AS_GENERATED if document is None else from_document(document, where=str(archive.folder))


def generated_review(result: ReadResult, archive_folder: Path, *, advice: Advice | None) -> Review:
    """The review as it is generated, before the tester's choice of exhibits; nothing is kept as published."""
    with Archive.open(archive_folder, create=False) as archive:
        words = own_words_of(archive, result.loudspeaker_id)
    return review_of(
        result.reading,
        result.measurement,
        result.session,
        advice=advice,
        beside=compare_with_peers(result, archive_folder),
        family=family_of(result, archive_folder),
        own_words=words,
    )


def arrange(
    result: ReadResult,
    archive_folder: Path,
    *,
    advice: Advice | None,
    order: Sequence[str] | None = None,
    left_out: Sequence[str] | None = None,
    captions: Mapping[str, str] | None = None,
) -> Arrangement:
    """Change the choice of exhibits and keep it. What is None stays as it was; order with left_out None shows only
    what it names, with left_out the others follow as generated.

    Raises InputError as `arrangement_for`.
    """
    review = generated_review(result, archive_folder, advice=advice)
    with Archive.open(archive_folder, create=False) as archive:
        before = arrangement_of(archive, result.loudspeaker_id)
        known = [one.key for one in review.exhibits]
        if order is None:
            left_out = [key for key in before.left_out if key in known] if left_out is None else left_out
            order = [key for key in before.order if key in known and key not in left_out]
        elif left_out is None:
            left_out = [key for key in known if key not in order]
        texts = {key: own.text for key, own in before.captions.items() if key in known} | dict(captions or {})
        made = arrangement_for(review, order=order, left_out=left_out or (), captions=texts)
        # A caption that was not touched still stands for the numbers of the day it was written.
        same = {
            key: before.captions[key]
            for key, own in made.captions.items()
            if key not in (captions or {}) and key in before.captions
        }
        made = Arrangement(made.order, made.left_out, {**made.captions, **same})
        if made != before:
            keep_next(archive, result.loudspeaker_id, ARRANGEMENT, to_document(made))
    return made


def arrange_by_name(
    name: str,
    archive_folder: Path,
    *,
    exhibits: Sequence[str] | None,
    captions: Mapping[str, str],
    left_out: Sequence[str] | None = None,
    progress: Progress = silent,
) -> Arrangement:
    """As `arrange`, for the loudspeaker called `name`; exhibits ("all",) brings back the generated order."""
    result = read_loudspeaker(name, archive_folder, progress=part(progress, 0.0, 0.8))
    progress(0.8, "findings and advice")
    advice = advice_on(result, archive_folder)
    order = exhibits
    if exhibits is not None and tuple(exhibits) == ("all",):
        order, left_out = (), left_out or ()
    return arrange(result, archive_folder, advice=advice, order=order, left_out=left_out, captions=captions)


def exhibit_lines(name: str, archive_folder: Path, *, progress: Progress = silent) -> list[str]:
    """Key and title of every exhibit there is, with how the tester chose; captions whose numbers changed are told."""
    result = read_loudspeaker(name, archive_folder, progress=part(progress, 0.0, 0.8))
    progress(0.8, "findings and advice")
    review = generated_review(result, archive_folder, advice=advice_on(result, archive_folder))
    with Archive.open(archive_folder, create=False) as archive:
        chosen = arrangement_of(archive, result.loudspeaker_id)
    lines = []
    for one in review.exhibits:
        marks = ["left out"] if one.key in chosen.left_out else []
        marks += ["own caption"] if isinstance(one, Chart) and one.key in chosen.captions else []
        lines.append(f"{one.key:<28}{one.title}" + (f" ({', '.join(marks)})" if marks else ""))
    return [*lines, *outdated_lines(review, chosen)]


def outdated_lines(review: Review, arrangement: Arrangement) -> list[str]:
    """A line for every own caption whose numbers changed since it was written."""
    titles = {one.key: one.title for one in review.exhibits}
    return [
        f"caption of “{titles[key]}”: its numbers changed since you wrote it; read it again"
        for key in outdated(review, arrangement)
    ]


def kept_publication(
    archive: Archive, loudspeaker_id: int, target: str, document: dict[str, object]
) -> tuple[int, PublicationEntry]:
    """The publication to `target` and its revision, 1 for the first one there; where nothing but the reason given
    would change since the last one, that one."""
    here = _at(archive, loudspeaker_id, target)
    if here:
        last = json.loads(here[-1].document)
        if {**last, "because": ""} == json.loads(json.dumps({**document, "because": ""})):
            return len(here), here[-1]
    return len(here) + 1, archive.keep_publication(loudspeaker_id, target, document)


def corrections_at(archive: Archive, loudspeaker_id: int, target: str) -> tuple[Correction, ...]:
    """What re-publications to `target` changed, newest first."""
    here = _at(archive, loudspeaker_id, target)
    return corrections_of([(n, p.created_at, json.loads(p.document)) for n, p in enumerate(here, 1)])


def publications_at(archive: Archive, loudspeaker_id: int, target: str) -> tuple[tuple[int, str], ...]:
    """Revision and time of every publication to `target`, newest first."""
    return tuple(reversed([(n, p.created_at) for n, p in enumerate(_at(archive, loudspeaker_id, target), 1)]))


def pending_correction(
    archive: Archive, loudspeaker_id: int, target: str, document: dict[str, object]
) -> Correction | None:
    """What publishing `document` now would change since the last publication; None where it would be the first, or
    the same."""
    here = _at(archive, loudspeaker_id, target)
    if not here:
        return None
    last = json.loads(here[-1].document)
    now = json.loads(json.dumps(document))
    if {**last, "because": ""} == {**now, "because": ""}:
        return None
    return corrections_of([(len(here), here[-1].created_at, last), (len(here) + 1, archive.now(), now)])[0]


def _at(archive: Archive, loudspeaker_id: int, target: str) -> list[PublicationEntry]:
    return [p for p in archive.publications_of(loudspeaker_id) if p.target == target]


FOLDER = "publications"
_KINDS: dict[str, str] = table_of("app", "settings")["media_types"]


@dataclass(frozen=True, slots=True)
class PublishedPlace:
    """folder : of the page; files : the products beside it."""

    folder: Path
    files: tuple[Path, ...]


@dataclass(frozen=True, slots=True)
class PublishedFile:
    """path : on the disk; kind : media type; is_page : a page or what it is made of, rather than a download."""

    path: Path
    kind: str
    is_page: bool


def usual_folder(title: str, archive_folder: Path) -> Path:
    """Where a review goes when the tester names no place: in the archive's folder. title : maker and name."""
    return archive_folder.absolute() / FOLDER / address_of(title, [])


def folder_from(text: str, usual: Path) -> Path:
    """The folder that was typed; a relative one lies where the usual one does. InputError for one that cannot be."""
    wanted = text.strip()
    if not wanted:
        return usual
    try:
        path = Path(wanted).expanduser()
        return (path if path.is_absolute() else usual.parent / path).resolve()
    except (OSError, ValueError, RuntimeError) as error:
        raise InputError.of("app.folder_unusable", where=wanted[:200]) from error


def keep_place(loudspeaker_id: int, page: Path, files: Sequence[Path], archive_folder: Path) -> None:
    """Remember where the review of a loudspeaker was published last."""
    value = {"folder": str(page.parent), "files": [str(path) for path in files]}
    with Archive.open(archive_folder) as archive:
        save_draft(archive, _key(loudspeaker_id), value, revision=draft(archive, _key(loudspeaker_id)).revision)


def place_of(loudspeaker_id: int, archive_folder: Path) -> PublishedPlace | None:
    """Where it was published last, None where it was not, or where the page is gone."""
    with Archive.open(archive_folder) as archive:
        kept = draft(archive, _key(loudspeaker_id)).value
    if kept is None or not (Path(kept["folder"]) / PAGE).is_file():
        return None
    return PublishedPlace(Path(kept["folder"]), tuple(path for path in map(Path, kept["files"]) if path.is_file()))


def published_file(loudspeaker_id: int, name: str, archive_folder: Path) -> PublishedFile | None:
    """A file of the published page by its relative path; None for what is not in its folder, is a link out of it, is
    hidden or of a kind that a page has not."""
    place = place_of(loudspeaker_id, archive_folder)
    return None if place is None else page_file(place.folder, name)


def page_file(folder: Path, name: str) -> PublishedFile | None:
    """A file of the page in `folder`, or None, as `published_file`."""
    if "\0" in name or "\\" in name:
        return None
    parts = (name or PAGE).split("/")
    kind = _KINDS.get(Path(parts[-1]).suffix.lower())
    if kind is None or any(part in ("", "..") or part.startswith(".") for part in parts):
        return None
    root = folder.resolve()
    try:
        path = root.joinpath(*parts).resolve()
        if root not in path.parents or not path.is_file():
            return None
    except (OSError, ValueError):
        return None
    return PublishedFile(path, kind, path.suffix.lower() in (".html", ".css", ".js", ".svg", ".png", ".jpg"))


def product_file(loudspeaker_id: int, place: int, archive_folder: Path) -> PublishedFile | None:
    """A product by its place in the list; None where there is none."""
    known = place_of(loudspeaker_id, archive_folder)
    if known is None or not 0 <= place < len(known.files):
        return None
    path = known.files[place]
    return PublishedFile(path, _KINDS.get(path.suffix.lower(), "application/octet-stream"), is_page=False)


def _key(loudspeaker_id: int) -> str:
    # With blanks, so that no address of the bench's drafts reaches it and names another folder.
    return f"published folder of {loudspeaker_id}"


TARGET = "page"


@dataclass(frozen=True, slots=True)
class Products:
    """What is made beside the page. report : paper, or None; stills : shapes; steps : with the steps that build each
    still up; transparent : stills without paper; build_up : how the charts of the five minutes build up, as animated
    SVG, and as video too; license : of the data set, None for no data set."""

    __pydantic_config__ = ConfigDict(extra="forbid")
    report: Paper | None = None
    stills: Annotated[tuple[Shape, ...], Field(max_length=2)] = ()
    steps: bool = False
    transparent: bool = False
    build_up: Literal["svg", "video"] | None = None
    talk: bool = False
    license: Annotated[str, Field(max_length=40)] | None = None

    def __post_init__(self) -> None:
        if self.license is not None:
            choice("license", self.license, LICENSES)

    @property
    def is_none(self) -> bool:
        return not (self.report or self.stills or self.build_up or self.talk or self.license)


NO_PRODUCTS = Products()


@dataclass(frozen=True, slots=True)
class Published:
    """page : its first page; files : the products, in the order made; lines : what became of an edited talk and of
    files that the tester put into the page's folder; failed : products that could not be made, with the error."""

    page: Path
    files: tuple[Path, ...] = ()
    lines: tuple[str, ...] = ()
    failed: tuple[tuple[str, EarwitnessError], ...] = ()


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

    In both folders only what the program wrote there before is written over. material : folder beside the page; None
    for `folder` with "-material" behind its name; because : why numbers change, for the corrections;
    listening_distance_m : as in `read_loudspeaker`. Raises as that, InputError for a material folder inside the page's
    or another license, and OutputError when something cannot be written. A product that cannot be made is in what is
    returned.
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
    with Archive.open(archive_folder, create=False) as archive:
        for one in (folder, place):
            archive.need_outside(one)
    if place == folder or folder in place.parents:
        raise InputError.of("app.material_place", where=str(place))
    share = 1.0 if products.is_none else 0.3
    progress(0.0, "write the pages")
    review, told, _ = review_for(result, archive_folder, advice=advice, because=because)
    written = write_review(review, folder)
    page, told = written.page, (*told, *written.lines)
    if products.is_none:
        keep_place(result.loudspeaker_id, page, (), archive_folder)
        progress(1.0, "written")
        return Published(page, lines=told)
    notes = _notes(result, archive_folder)
    made = write_products(review, page, place, products, notes=notes, progress=part(progress, share, 1.0))
    keep_place(result.loudspeaker_id, page, made.files, archive_folder)
    return replace(made, lines=(*told, *made.lines))


def review_for(
    result: ReadResult,
    archive_folder: Path,
    *,
    advice: Advice | None,
    because: str = "",
    target: str = TARGET,
    others: KnownPeers | None = None,
) -> tuple[Review, tuple[str, ...], PublicationEntry]:
    """The review of a reading with the tester's words and choice of exhibits, what to tell of them, and what was kept
    of it as published to `target`. others : of the archive, where they were read before."""
    beside, family = compare_with_peers(result, archive_folder, others=others), family_of(result, archive_folder)
    number = result.loudspeaker_id
    with Archive.open(archive_folder, create=False) as archive:
        chosen = arrangement_of(archive, number)
        revision, kept = kept_publication(archive, number, target, document_of(archive, result, because=because))
        review = review_of(
            result.reading,
            result.measurement,
            result.session,
            revision=str(revision),
            advice=advice,
            beside=beside,
            family=family,
            own_words=own_words_of(archive, number),
            corrections=corrections_at(archive, number, target),
            photos=photos_of(result.session, archive.files_of(result.session_id)),
        )
    lines = list(outdated_lines(review, chosen))
    if because and json.loads(kept.document)["because"] != because:
        lines.append(f"your reason was not kept: nothing that a correction tells of changed since revision {revision}")
    return arranged(review, chosen), tuple(lines), kept


def document_of(archive: Archive, result: ReadResult, *, because: str = "") -> dict[str, object]:
    """What of a publication is kept, so that the next one can be compared with it."""
    session_key = next(one.key for one in archive.sessions_of(result.loudspeaker_id) if one.id == result.session_id)
    session = result.session
    return publication_document(
        result.reading, date=session.date, session_key=session_key, state=session.state, because=because
    )


def write_products(
    review: Review,
    page: Path,
    place: Path,
    products: Products,
    *,
    notes: dict[str, bytes] | None = None,
    progress: Progress = silent,
) -> Published:
    """Write the products beside `page` into `place`; one that fails does not stop the others. notes : for the data
    set."""
    files: list[Path] = []
    lines: list[str] = []
    failed: list[tuple[str, EarwitnessError]] = []
    for folder in (place, place / "stills"):
        clear_dead(folder)

    def make(share: float, doing: str, subject: str, write: Callable[[], Sequence[Path]]) -> None:
        progress(share, doing)
        try:
            with named(f"{subject} of {review.title}"):
                files.extend(write())
        except EarwitnessError as error:
            failed.append((subject, error))

    draw = partial(write_stills, folder=place / "stills", transparent=products.transparent)

    def talk() -> Sequence[Path]:
        written = write_talk(review, place / "talk.md")
        lines.extend(f"talk: {words}" for words in (*written.changed, *written.left_out))
        # The pictures that the talk speaks of, where they are not among the stills anyway.
        parts = spoken_parts(written.text)
        names = {part.still for part in parts}
        captions = [write_bytes(place / name, text.encode()) for name, text in caption_files(parts).items()]
        shown = tuple(chart for chart in review.charts if still_name(chart.key) in names)
        stills = () if "wide" in products.stills else draw(replace(review, exhibits=shown))
        return [place / "talk.md", *captions, *stills]

    paper, steps, license = products.report, products.steps, products.license
    if paper is not None:
        path = place / f"report-{paper}.pdf"
        make(0.0, "set the report", "report", lambda: [write_report(review, path, paper=paper)])
    for at, shape in enumerate(products.stills):
        drawn = partial(draw, review, shape=shape, steps=steps)
        make(0.2 + 0.3 * at, f"draw the {shape} stills", f"{shape} stills", drawn)
    if products.build_up is not None:
        shown = five_minutes(review)
        charts = [*([shown.first] if shown.first else []), *shown.charts]
        shapes, video = products.stills or ("wide",), products.build_up == "video"
        build = partial(write_build_ups, review, charts, place / "stills", shapes=shapes, video=video)
        make(
            0.7,
            "build the charts up",
            "build-ups",
            partial(build, progress=lambda share: progress(0.7 + 0.1 * share, "build the charts up")),
        )
    if products.talk:
        make(0.8, "write the talk", "talk", talk)
    if license is not None:
        zipped = place / f"{dataset_name(review)}.zip"
        pack = partial(write_dataset, review, zipped, license=license, extras=notes)
        make(0.85, "pack the data set", "data set", lambda: [pack()])
    progress(1.0, "written")
    return Published(page, tuple(files), tuple(lines), tuple(failed))


def write_result(
    result: ReadResult,
    folder: Path,
    *,
    advice: Advice | None = None,
    family: Family | None = None,
    own_words: OwnWords = NO_WORDS,
    progress: Progress = silent,
) -> Path:
    """Write the review of a reading to `folder`; the path of its first page. advice : what it means and what to do;
    family : its other units, states and days; own_words : the tester's."""
    progress(0.0, "write the pages")
    review = review_of(
        result.reading, result.measurement, result.session, advice=advice, family=family, own_words=own_words
    )
    written = write_review(review, folder)
    progress(1.0, "written")
    return written.page


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
