"""Responses that were measured before, in the place Measure: a folder is looked at, corrected, described, taken in."""

from pathlib import Path
from typing import Any

from fastapi import APIRouter
from pydantic import Field

from earwitness.app.add import write_session
from earwitness.bench import uploads
from earwitness.bench.routes.measure import whole_path
from earwitness.bench.seen_responses import Correction, aside_shown, corrected, first_curves, groups_shown
from earwitness.bench.state import BenchState, Body
from earwitness.errors import InputError
from earwitness.exhibits.responses import seen_chart
from earwitness.render.html import figure_html
from earwitness.session.from_files import Stated, Survey, survey
from earwitness.session.load import load_session
from earwitness.session.patterns import FILE

router = APIRouter(prefix="/api/measure/responses", tags=["measure responses"])
CHART_PX = 900


class Look(Body):
    """Where the files are: an upload that arrived, or a folder of this machine; and what a person corrects."""

    upload: str | None = Field(default=None, max_length=40)
    folder: str | None = Field(default=None, min_length=1, max_length=1000)
    corrections: list[Correction] = Field(default=[], max_length=2000)


class ToWrite(Look):
    """The same, with the facts; again : over a session.toml that is there."""

    facts: Stated
    again: bool = False


@router.post("/look")
def responses_look(body: Look, bench: BenchState) -> dict[str, Any]:
    """What the files of a folder seem to be, what is open, and their first levels as a chart."""
    with bench.heavy:
        found = _seen(body, bench)
        chart = seen_chart(first_curves(found))
    return {
        "groups": groups_shown(found),
        "aside": aside_shown(found),
        "told": list(found.told),
        "chart": "" if chart is None else figure_html(chart, CHART_PX),
    }


@router.post("/write")
def responses_write(body: ToWrite, bench: BenchState) -> dict[str, str]:
    """Write session.toml beside the files and check it; 422 with every fault where something is still open."""
    with bench.heavy:
        found = _seen(body, bench)
        if (found.folder / FILE).exists() and body.upload is None and not body.again:
            raise InputError.of("bench.session_toml_there", where=str(found.folder / FILE))
        path = write_session(found, body.facts, again=True)
        session = load_session(path.parent)
    return {"path": str(path), "folder": str(path.parent), "title": session.loudspeaker.title}


def _seen(body: Look, bench: BenchState) -> Survey:
    return corrected(survey(_folder(body, bench)), body.corrections)


def _folder(body: Look, bench: BenchState) -> Path:
    if (body.upload is None) == (body.folder is None):
        raise InputError("one folder is needed", expected="either an upload or a folder of this machine")
    if body.folder is not None:
        return whole_path(body.folder)
    arrived = uploads.upload_folder(bench.archive_folder, str(body.upload))
    inside = [one for one in arrived.iterdir() if not one.name.startswith(".")]
    return inside[0] if len(inside) == 1 and inside[0].is_dir() else arrived
