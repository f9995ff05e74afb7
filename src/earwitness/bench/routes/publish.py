"""The place Publish: own words, exhibits, products, publication, what was corrected, and the presenter: the talk over
its charts, for a recording, and its notes for a second window."""

from dataclasses import asdict, replace
from pathlib import Path as DiskPath
from tempfile import TemporaryDirectory
from typing import Annotated, Any

from fastapi import APIRouter, HTTPException, Path, Request
from fastapi.responses import HTMLResponse, Response
from pydantic import Field

from earwitness.app import publish as acts
from earwitness.app.jobs import Progress, part
from earwitness.app.listen import data_shown_at
from earwitness.app.settings import keep_text, words_of
from earwitness.app.site import publish_site
from earwitness.archive.catalogue import Archive
from earwitness.archive.entries import LoudspeakerEntry
from earwitness.bench.pages import page
from earwitness.bench.state import Bench, BenchState, Body, Entry, Id
from earwitness.exhibits.chart import Chart
from earwitness.files.data import table_of
from earwitness.publish.arrangement import arranged, arrangement_for, outdated
from earwitness.publish.downloads import LICENSES
from earwitness.publish.own_words import PARTS, markdown_of, sanitized_html
from earwitness.publish.site.write import calculator_script, player_script, section_title_of, write_review
from earwitness.publish.stills import frames_of, still_name, write_video
from earwitness.publish.talk import spoken_parts, talk_of
from earwitness.render.html import chart_script, is_numbers_script
from earwitness.render.palette import Theme
from earwitness.render.svg import DrawingSpace, still_svg

router = APIRouter()
Part = Annotated[str, Field(max_length=40_000)]
Key = Annotated[str, Field(min_length=1, max_length=80)]
_POLICIES = table_of("bench", "policies")
_STAGE = DrawingSpace(800.0, 372.0, upright=False)
_THEMES: tuple[Theme, ...] = ("light", "dark")


class Words(Body):
    """The tester's words by part."""

    verdict: Part = ""
    likes: Part = ""
    dislikes: Part = ""
    disclosure: Part = ""
    obtained: Part = ""


class Exhibits(Body):
    """Which exhibits are shown, in which order, under which captions."""

    order: Annotated[tuple[Key, ...], Field(max_length=200)] = ()
    left_out: Annotated[tuple[Key, ...], Field(max_length=200)] = ()
    captions: dict[Key, Annotated[str, Field(max_length=4000)]] = Field(default={}, max_length=200)


class Look(Body):
    """What the page says and shows."""

    words: Words
    exhibits: Exhibits


class Publication(Look):
    """All that a publication is made from. folder : "" for the usual one; because : why numbers change."""

    products: acts.Products
    folder: Annotated[str, Field(max_length=1000)] = ""
    because: Annotated[str, Field(max_length=2000)] = ""


class SiteWanted(Body):
    """because : why numbers change."""

    because: Annotated[str, Field(max_length=2000)] = ""


@router.get("/publish", response_class=HTMLResponse, include_in_schema=False)
def publish_which(request: Request) -> HTMLResponse:
    """Which loudspeaker to publish."""
    return page(request, "publish_which.html.jinja", place="publish", title="Publish")


@router.get("/publish/{loudspeaker_id}", response_class=HTMLResponse, include_in_schema=False)
def publish(request: Request, bench: BenchState, entry: Entry) -> HTMLResponse:
    """Words, exhibits, products; the exhibits come once the data have been read."""
    has_session = bench.has_session(entry.id)
    words = words_of(entry.title, bench.archive_folder)
    with Archive.open(bench.archive_folder) as archive:
        chosen = acts.arrangement_of(archive, entry.id)
    given = {
        "id": entry.id,
        "parts": {key: words.parts.get(key, "") for key in PARTS},
        "order": list(chosen.order),
        "left_out": list(chosen.left_out),
        "captions": {key: own.text for key, own in chosen.captions.items()},
        "folder": str(acts.usual_folder(entry.title, bench.archive_folder)),
    }
    return page(
        request,
        "publish.html.jinja",
        place="publish",
        title="Publish",
        loudspeaker=entry,
        given=given,
        parts=PARTS,
        licenses=LICENSES.values(),
        has_session=has_session,
        is_open=data_shown_at(bench.archive_folder, name=entry.name, maker=entry.maker) is not None,
        published=_published(bench, entry),
    )


@router.get("/publish/{loudspeaker_id}/published/{name:path}", include_in_schema=False)
def published_page(request: Request, bench: BenchState, entry: Entry, name: str) -> Response:
    """A file of the page that was published last. Whoever put it into the folder, it runs nothing of its own."""
    return _of_page(request, acts.published_file(entry.id, name, bench.archive_folder), name)


@router.get("/publish/{loudspeaker_id}/look/{name:path}", include_in_schema=False)
def looked_at_page(request: Request, bench: BenchState, entry: Entry, name: str) -> Response:
    """A file of the page as it would be published, under the same rules."""
    return _of_page(request, acts.page_file(bench.looks / str(entry.id), name), name)


@router.get("/publish/{loudspeaker_id}/present", response_class=HTMLResponse, include_in_schema=False)
def present(request: Request, bench: BenchState, entry: Entry) -> HTMLResponse:
    """The stage; what stands on it comes by `present_talk`."""
    is_open = data_shown_at(bench.archive_folder, name=entry.name, maker=entry.maker) is not None
    return page(request, "present.html.jinja", place="publish", title="Present", loudspeaker=entry, is_open=is_open)


@router.get("/publish/{loudspeaker_id}/notes", response_class=HTMLResponse, include_in_schema=False)
def present_notes(request: Request, entry: Entry) -> HTMLResponse:
    """The notes of a talk, kept in step by the stage in the same browser."""
    return page(request, "present_notes.html.jinja", place="publish", title="Notes", loudspeaker=entry)


@router.get("/api/publish/{loudspeaker_id}/build-up/{still}", tags=["publish"])
def present_video(loudspeaker_id: Id, still: str, bench: BenchState) -> Response:
    """How the chart of a still of the talk builds up, as WebM. The data count as shown."""
    result, advice = bench.reading(loudspeaker_id), bench.advice(loudspeaker_id)
    with bench.heavy, TemporaryDirectory() as folder:
        review = acts.review_for(result, bench.archive_folder, advice=advice)[0]
        chart = next((one for one in review.charts if still_name(one.key) == still.removesuffix("-wide")), None)
        if chart is None:
            raise HTTPException(404)
        made = write_video(frames_of(review, chart), DiskPath(folder) / "build-up.webm")
        return Response(made.read_bytes(), media_type="video/webm")


@router.get("/api/publish/{loudspeaker_id}/talk", tags=["publish"])
def present_talk(loudspeaker_id: Id, bench: BenchState) -> dict[str, Any]:
    """The parts of the talk, as published where the tester edited it, and its charts, each drawn light and dark: a
    change of theme need not wait for a review. The data count as shown."""
    result, advice = bench.reading(loudspeaker_id), bench.advice(loudspeaker_id)
    with bench.heavy:
        review = acts.review_for(result, bench.archive_folder, advice=advice)[0]
    place = acts.place_of(loudspeaker_id, bench.archive_folder)
    edited = [] if place is None else [path for path in place.files if path.name == "talk.md"]
    parts = spoken_parts(edited[0].read_text(encoding="utf-8") if edited else talk_of(review))
    charts = {
        still_name(chart.key): {
            "about": chart.subtitle or chart.title,
            "svg": {theme: still_svg(chart, chart.panels[0], _STAGE, theme=theme) for theme in _THEMES},
        }
        for chart in review.charts
        if any(part.still == still_name(chart.key) for part in parts)
    }
    return {"parts": [asdict(part) for part in parts], "charts": charts, "invented": review.invented}


def _of_page(request: Request, found: acts.PublishedFile | None, name: str) -> Response:
    if found is None:
        raise HTTPException(404)
    if found.path.suffix.lower() == ".js":
        # Scripts run with the bench's origin: none is taken from the disk but what the program writes, and numbers.
        script, ours = found.path.read_bytes(), (chart_script(), calculator_script(), player_script())
        if script.decode(errors="replace") not in ours and not is_numbers_script(script):
            raise HTTPException(404)
    policy = _POLICIES["file"]
    if found.path.suffix.lower() == ".html":
        folder = f"{request.url.scheme}://{request.url.netloc}{request.url.path.removesuffix(name)}"
        policy = _POLICIES["published"].format(folder=folder)
    return _file(found, policy)


@router.get("/publish/{loudspeaker_id}/product/{number}", include_in_schema=False)
def product(bench: BenchState, entry: Entry, number: Annotated[int, Path(ge=0, le=10_000)]) -> Response:
    """A product that was made beside the page, as a download."""
    found = acts.product_file(entry.id, number, bench.archive_folder)
    if found is None:
        raise HTTPException(404)
    return _file(found, _POLICIES["file"])


@router.post("/api/publish/preview", tags=["publish"])
def publish_preview(body: Words) -> dict[str, str]:
    """The words as harmless HTML, by part."""
    return {key: sanitized_html(text) for key, text in body.model_dump().items()}


@router.put("/api/publish/{loudspeaker_id}/words", tags=["publish"])
def publish_words(entry: Entry, body: Words, bench: BenchState) -> dict[str, Any]:
    """Keep the words in the archive, as `earwitness publish --words` does."""
    kept = keep_text(entry.title, markdown_of(entry.title, body.model_dump()), bench.archive_folder)
    return {"parts": list(kept.parts)}


@router.post("/api/publish/{loudspeaker_id}/prepare", tags=["publish"])
def publish_prepare(entry: Entry, bench: BenchState) -> dict[str, Any]:
    """Read the data and make the exhibits to choose from, as a job. From here on the data count as shown."""

    def work(progress: Progress) -> dict[str, Any]:
        progress(0.1, "read the data")
        result = bench.reading(entry.id)
        progress(0.6, "findings and advice")
        advice = bench.advice(entry.id)
        with bench.heavy:
            review = acts.generated_review(result, bench.archive_folder, advice=advice)
            with Archive.open(bench.archive_folder) as archive:
                changed = outdated(review, acts.arrangement_of(archive, entry.id))
                pending = acts.pending_correction(archive, entry.id, acts.TARGET, acts.document_of(archive, result))
        return {
            "exhibits": [
                {
                    "key": one.key,
                    "title": one.title,
                    "section": section_title_of(one.key),
                    "finding": one.caption.finding if isinstance(one, Chart) else None,
                    "is_outdated": one.key in changed,
                }
                for one in review.exhibits
            ],
            "pending": None if pending is None else asdict(pending),
        }

    return asdict(bench.jobs.start(f"Read {entry.title} for publication", work))


@router.post("/api/publish/site", tags=["publish"])
def publish_all(body: SiteWanted, bench: BenchState) -> dict[str, Any]:
    """Bring the site of all loudspeakers up to date, as a job; `earwitness site` has more choices."""

    def work(progress: Progress) -> dict[str, Any]:
        with bench.heavy:
            folder = acts.usual_folder("site", bench.archive_folder)
            report = publish_site(folder, bench.archive_folder, because=body.because.strip(), progress=progress)
        failed = [f"{name}: {error.what}" for name, error in report.failed]
        return {
            "page": str(report.page), "written": len(report.written), "unchanged": report.unchanged, "failed": failed
        }  # fmt: skip

    return asdict(bench.jobs.start("Publish the site of all loudspeakers", work))


@router.post("/api/publish/{loudspeaker_id}", tags=["publish"])
def publish_now(entry: Entry, body: Publication, bench: BenchState) -> dict[str, Any]:
    """Keep words and choice, write the page and the products, as a job."""
    folder = acts.folder_from(body.folder, acts.usual_folder(entry.title, bench.archive_folder))
    products = replace(body.products, stills=tuple(dict.fromkeys(body.products.stills)))

    def work(progress: Progress) -> dict[str, Any]:
        progress(0.02, "read the data")
        result, advice = bench.reading(entry.id), bench.advice(entry.id)
        with bench.heavy:
            progress(0.3, "keep your words and your choice")
            chosen = body.exhibits.model_dump()
            # Before anything is kept: a faulty choice must not leave the words behind alone.
            arrangement_for(acts.generated_review(result, bench.archive_folder, advice=advice), **chosen)
            keep_text(entry.title, markdown_of(entry.title, body.words.model_dump()), bench.archive_folder)
            acts.arrange(result, bench.archive_folder, advice=advice, **chosen)
            done = acts.publish_result(
                result,
                advice,
                folder,
                bench.archive_folder,
                products=products,
                because=body.because.strip(),
                progress=part(progress, 0.35, 1.0),
            )
        lines = [*done.lines, *(f"not made: {product}: {error}" for product, error in done.failed)]
        return {"page": str(done.page), "files": [str(path) for path in done.files], "lines": lines}

    return asdict(bench.jobs.start(f"Publish {entry.title}", work))


@router.post("/api/publish/{loudspeaker_id}/look", tags=["publish"])
def publish_look(entry: Entry, body: Look, bench: BenchState) -> dict[str, Any]:
    """Write the page as it would be published where only the bench shows it, as a job; the words are kept."""

    def work(progress: Progress) -> dict[str, Any]:
        progress(0.1, "read the data")
        result, advice = bench.reading(entry.id), bench.advice(entry.id)
        with bench.heavy:
            keep_text(entry.title, markdown_of(entry.title, body.words.model_dump()), bench.archive_folder)
            review = acts.generated_review(result, bench.archive_folder, advice=advice)
            progress(0.5, "write the page")
            shown = arranged(review, arrangement_for(review, **body.exhibits.model_dump()))
            write_review(shown, bench.looks / str(entry.id))
        return {"page": f"/publish/{entry.id}/look/index.html"}

    return asdict(bench.jobs.start(f"Look at the page of {entry.title}", work))


@router.get("/api/publish/{loudspeaker_id}/publications", tags=["publish"])
def publish_publications(entry: Entry, bench: BenchState) -> dict[str, Any]:
    """What was published, where it stands, and what each publication changed."""
    return _published(bench, entry)


def _published(bench: Bench, entry: LoudspeakerEntry) -> dict[str, Any]:
    with Archive.open(bench.archive_folder) as archive:
        known = acts.publications_at(archive, entry.id, acts.TARGET)
        corrections = acts.corrections_at(archive, entry.id, acts.TARGET)
    place = acts.place_of(entry.id, bench.archive_folder)
    return {
        "publications": [{"revision": revision, "published": when} for revision, when in known],
        "corrections": list(map(asdict, corrections)),
        "folder": None if place is None else str(place.folder),
        "files": [] if place is None else [path.name for path in place.files],
    }


def _file(found: acts.PublishedFile, policy: str) -> Response:
    headers = {"Content-Security-Policy": policy}
    if not found.is_page:
        headers["Content-Disposition"] = f'attachment; filename="{found.path.name.encode("ascii", "replace").decode()}"'
    return Response(found.path.read_bytes(), media_type=found.kind, headers=headers)
