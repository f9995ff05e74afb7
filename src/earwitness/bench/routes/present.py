"""The presenter: the talk over its charts, for a recording, and its notes for a second window."""

from dataclasses import asdict
from pathlib import Path as File
from tempfile import TemporaryDirectory
from typing import Annotated, Any, Final

from fastapi import APIRouter, HTTPException, Path, Request
from fastapi.responses import HTMLResponse, Response

from earwitness.app.listen import data_shown_at
from earwitness.app.publish import place_of, review_for
from earwitness.bench.pages import page
from earwitness.bench.state import BenchState
from earwitness.publish.build_up import frames_of, write_video
from earwitness.publish.stills import still_name
from earwitness.publish.talk import spoken_parts, talk_of
from earwitness.render.palette import Theme
from earwitness.render.still import Room, still_svg

router = APIRouter()
Id = Annotated[int, Path(ge=1, le=2**53)]
_ROOM = Room(800.0, 372.0, upright=False)
_THEMES: Final[tuple[Theme, ...]] = ("light", "dark")


@router.get("/publish/{loudspeaker_id}/present", response_class=HTMLResponse, include_in_schema=False)
def present(request: Request, bench: BenchState, loudspeaker_id: Id) -> HTMLResponse:
    """The stage; what stands on it comes by `present_talk`."""
    entry = bench.loudspeaker(loudspeaker_id)
    is_open = data_shown_at(bench.archive_folder, name=entry.name, maker=entry.maker) is not None
    return page(request, "present.html.jinja", place="publish", title="Present", loudspeaker=entry, is_open=is_open)


@router.get("/publish/{loudspeaker_id}/notes", response_class=HTMLResponse, include_in_schema=False)
def present_notes(request: Request, bench: BenchState, loudspeaker_id: Id) -> HTMLResponse:
    """The notes of a talk, kept in step by the stage in the same browser."""
    entry = bench.loudspeaker(loudspeaker_id)
    return page(request, "present_notes.html.jinja", place="publish", title="Notes", loudspeaker=entry)


@router.get("/api/publish/{loudspeaker_id}/build-up/{still}", tags=["publish"])
def present_video(loudspeaker_id: Id, still: str, bench: BenchState) -> Response:
    """How the chart of a still of the talk builds up, as WebM. The data count as shown."""
    result, advice = bench.reading(loudspeaker_id), bench.advice(loudspeaker_id)
    with bench.heavy, TemporaryDirectory() as folder:
        review = review_for(result, bench.archive_folder, advice=advice)[0]
        chart = next((one for one in review.charts if still_name(one.key) == still.removesuffix("-wide")), None)
        if chart is None:
            raise HTTPException(404)
        made = write_video(frames_of(review, chart), File(folder) / "build-up.webm")
        return Response(made.read_bytes(), media_type="video/webm")


@router.get("/api/publish/{loudspeaker_id}/talk", tags=["publish"])
def present_talk(loudspeaker_id: Id, bench: BenchState) -> dict[str, Any]:
    """The parts of the talk, as published where the tester edited it, and its charts, each drawn light and dark: a
    change of theme need not wait for a review. The data count as shown."""
    result, advice = bench.reading(loudspeaker_id), bench.advice(loudspeaker_id)
    with bench.heavy:
        review = review_for(result, bench.archive_folder, advice=advice)[0]
    place = place_of(loudspeaker_id, bench.archive_folder)
    edited = [] if place is None else [path for path in place.files if path.name == "talk.md"]
    parts = spoken_parts(edited[0].read_text(encoding="utf-8") if edited else talk_of(review))
    charts = {
        still_name(chart.key): {
            "about": chart.subtitle or chart.title,
            "svg": {theme: still_svg(chart, chart.panels[0], _ROOM, theme=theme) for theme in _THEMES},
        }
        for chart in review.charts
        if any(part.still == still_name(chart.key) for part in parts)
    }
    return {"parts": [asdict(part) for part in parts], "charts": charts, "invented": review.invented}
