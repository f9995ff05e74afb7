"""The place Measure: bring in a session folder, begin one, write test signals."""

from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter, Request
from fastapi import Path as InPath
from fastapi.responses import HTMLResponse
from pydantic import Field

from earwitness.app.add import add_folder
from earwitness.app.demo import bring_in_demo
from earwitness.app.jobs import Progress
from earwitness.app.measure import write_test_signals
from earwitness.bench import uploads
from earwitness.bench.pages import page
from earwitness.bench.seen_responses import form_choices
from earwitness.bench.state import BenchState, Body
from earwitness.errors import InputError
from earwitness.session.load import load_session
from earwitness.session.plan import ROBOTS

router = APIRouter()
Key = Annotated[str, InPath(pattern=r"^[A-Za-z0-9_-]{12,40}$")]


class ToAdd(Body):
    """What to take in: an upload that arrived, or a folder of this machine."""

    upload: str | None = Field(default=None, max_length=40)
    folder: str | None = Field(default=None, min_length=1, max_length=1000)


class Folder(Body):
    """A folder of this machine."""

    folder: str = Field(min_length=1, max_length=1000)


class Signals(Folder):
    """Which test signals to write, and how loud they will be played."""

    peak_dbfs: float = Field(default=-12.0, ge=-80.0, le=0.0)
    rate_hz: int = Field(default=48_000, ge=8000, le=192_000)
    tones: int = Field(default=32, ge=2, le=200)
    level_db: float = Field(default=85.0, ge=30.0, le=130.0)
    distance_m: float = Field(default=2.0, ge=0.1, le=100.0)


class Nothing(Body):
    """No choices."""


@router.get("/measure/far", response_class=HTMLResponse, include_in_schema=False)
def far_page(request: Request) -> HTMLResponse:
    """Record, to be read and driven from across the room."""
    return page(request, "measure_far.html.jinja", place="measure", title="Record, far view")


@router.get("/measure", response_class=HTMLResponse, include_in_schema=False)
@router.get("/measure/{loudspeaker_id}", response_class=HTMLResponse, include_in_schema=False)
def measure_page(request: Request, bench: BenchState, loudspeaker_id: int | None = None) -> HTMLResponse:
    """Everything before and while measuring."""
    loudspeaker = None if loudspeaker_id is None else bench.loudspeaker(loudspeaker_id)
    shown = {"robots": ROBOTS, "choices": form_choices()}
    return page(request, "measure.html.jinja", place="measure", title="Measure", loudspeaker=loudspeaker, **shown)


@router.post("/api/uploads", tags=["measure"])
def upload_begin(_body: Nothing, bench: BenchState) -> dict[str, str]:
    """A place for a folder to arrive in."""
    return {"id": uploads.begin_upload(bench.archive_folder)}


@router.get("/api/uploads/{key}", tags=["measure"])
def upload_state(key: Key, bench: BenchState) -> dict[str, Any]:
    """What has arrived."""
    return {"files": [asdict(one) for one in uploads.arrived_files(bench.archive_folder, key)]}


@router.put("/api/uploads/{key}/files/{name:path}", tags=["measure"])
async def upload_file(key: Key, name: str, request: Request, bench: BenchState) -> dict[str, Any]:
    """One file of the folder, its bytes as the body."""
    return asdict(await uploads.receive_file(bench.archive_folder, key, name, request.stream()))


@router.post("/api/uploads/{key}/check", tags=["measure"])
def upload_check(key: Key, bench: BenchState) -> dict[str, str]:
    """Whether the folder can be taken in; 422 with all its faults where it cannot."""
    arrived = uploads.session_root(uploads.upload_folder(bench.archive_folder, key))
    return {"title": load_session(arrived).loudspeaker.title}


@router.delete("/api/uploads/{key}", tags=["measure"])
def upload_discard(key: Key, bench: BenchState) -> dict[str, bool]:
    """Take what arrived away."""
    uploads.discard_upload(bench.archive_folder, key)
    return {"discarded": True}


@router.post("/api/measure/add", tags=["measure"])
def measure_add(body: ToAdd, bench: BenchState) -> dict[str, Any]:
    """Take a session folder into the archive and reduce it, as a job."""
    if (body.upload is None) == (body.folder is None):
        raise InputError("one session folder is needed", expected="either an upload or a folder of this machine")
    if body.upload is not None:
        folder = uploads.session_root(uploads.upload_folder(bench.archive_folder, body.upload))
    else:
        folder = whole_path(str(body.folder))

    def work(progress: Progress) -> dict[str, Any]:
        with bench.heavy:
            added = add_folder(folder, bench.archive_folder, progress=progress)
        if body.upload is not None:
            uploads.discard_upload(bench.archive_folder, body.upload)
        return {
            "sentence": added.sentence,
            "warnings": list(added.warnings),
            "loudspeaker": bench.loudspeaker_of_session(added.session_id),
        }

    return asdict(bench.jobs.start(f"Take in {folder.name}", work))


@router.post("/api/measure/signals", tags=["measure"])
def measure_signals(body: Signals) -> dict[str, Any]:
    """Write every test signal, and say how loud it will be. Nothing is played."""
    done = write_test_signals(whole_path(body.folder), **body.model_dump(exclude={"folder"}))
    return {"files": [str(path) for path in done.files], "cautions": list(done.cautions)}


@router.post("/api/demo", tags=["measure"])
def demo_bring(_body: Nothing, bench: BenchState) -> dict[str, Any]:
    """Take the invented loudspeakers of the demo into this archive, as a job."""

    def work(progress: Progress) -> dict[str, Any]:
        with bench.heavy:
            return {"names": list(bring_in_demo(bench.archive_folder, progress=progress))}

    return asdict(bench.jobs.start("Bring in the demo", work))


def whole_path(text: str) -> Path:
    """A path as a tester types it. InputError for one that would depend on where the bench was started."""
    path = Path(text)
    if text.startswith("~"):
        try:
            path = path.expanduser()
        except RuntimeError:
            path = Path(text)
    if not path.is_absolute() or "\0" in text:
        raise InputError.of("bench.not_whole_path", where=text[:200], such=Path.home() / "sessions" / "new")
    return path
