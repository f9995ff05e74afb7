"""The place Measure: bring in a session folder, or responses that were measured before; describe a session by a form;
plan takes and scans; write test signals."""

import hashlib
import json
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter, Request
from fastapi import Path as InPath
from fastapi.responses import HTMLResponse, PlainTextResponse
from pydantic import Field, JsonValue

from earwitness.app.add import add_folder, put_session, write_session
from earwitness.app.demo import bring_in_demo
from earwitness.app.jobs import Progress, error_record
from earwitness.app.measure import gated_plan_lines, scan_plan, scan_plan_lines, write_test_signals
from earwitness.archive import drafts
from earwitness.archive.devices import remembered
from earwitness.archive.latest import SESSION_FORM
from earwitness.bench import uploads
from earwitness.bench.pages import page
from earwitness.bench.state import BenchState, Body, OpenArchive
from earwitness.bench.uploads import Correction, aside_shown, corrected, first_curves, form_choices, groups_shown
from earwitness.capture.plan import orbit_angles, planned_of
from earwitness.errors import Fault, InputError, SessionError
from earwitness.exhibits.responses import seen_chart
from earwitness.render.html import figure_html
from earwitness.session.form_fields import form_tables
from earwitness.session.from_files import Stated, Survey, survey
from earwitness.session.load import load_session, parsed_session, session_of
from earwitness.session.patterns import FILE
from earwitness.session.plan import ROBOTS, GatedPlan, Robot, ScanPlan, plan_gated
from earwitness.session.small_toml import toml_text, with_comments
from earwitness.session.toml_text import Keys, read_toml

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
            "loudspeaker": bench.owner_of(added.session_id),
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


class Cabinet(Body):
    """Outer size of the loudspeaker."""

    width_m: float = Field(ge=0.001, le=100.0)
    height_m: float = Field(ge=0.001, le=100.0)
    depth_m: float = Field(ge=0.001, le=100.0)

    def size(self) -> tuple[float, float, float]:
        """Width, height, depth."""
        return (self.width_m, self.height_m, self.depth_m)


class RoomPlaces(Body):
    """A room and what stands where in it; None for the usual place."""

    length_m: float = Field(ge=0.01, le=1000.0)
    width_m: float = Field(ge=0.01, le=1000.0)
    height_m: float = Field(ge=0.01, le=1000.0)
    stand_m: float | None = Field(default=None, ge=0.01, le=1000.0)
    front_wall_m: float | None = Field(default=None, ge=0.01, le=1000.0)
    side_wall_m: float | None = Field(default=None, ge=0.01, le=1000.0)
    distance_m: float = Field(default=2.0, ge=0.01, le=1000.0)
    driver_m: float | None = Field(default=None, ge=0.001, le=2.0)


class Scan(Body):
    """A near-field scan; None: highest_hz as plan_scan takes it, time_per_point_s as is usual."""

    highest_hz: float | None = Field(default=None, ge=1.0, le=100_000.0)
    robot: Robot = "rotating arc"
    time_per_point_s: float | None = Field(default=None, ge=0.001, le=10_000.0)


class ToPlan(Body):
    """What is to be planned."""

    cabinet: Cabinet
    room: RoomPlaces
    scan: Scan


class PointsToWrite(ToPlan):
    """to : file of this machine for the list of points; None to have it back as the answer."""

    to: str | None = Field(default=None, min_length=1, max_length=1000)


@router.post("/api/measure/plan", tags=["measure plan"])
def measure_plan(body: ToPlan) -> dict[str, Any]:
    """Both plans in plain lines and numbers; where one cannot be made, why."""
    out: dict[str, Any] = {"gated": None, "scan": None, "gated_fault": None, "scan_fault": None}
    gated: GatedPlan | None = None
    try:
        gated = _gated(body)
        out["gated"] = {**asdict(gated), "lines": list(gated_plan_lines(gated))}
    except InputError as error:
        out["gated_fault"] = error_record(error)
    try:
        found = _scan(body, gated)
        out["scan"] = {
            "lines": list(scan_plan_lines(found)), "points": len(found.points_m), "duration_s": found.duration_s,
            "shape": found.shape, "separable_hz": found.separable_hz,
        }  # fmt: skip
    except InputError as error:
        out["scan_fault"] = error_record(error)
    return out


@router.post("/api/measure/plan/points", tags=["measure plan"], response_class=PlainTextResponse)
def measure_plan_points(body: PointsToWrite) -> PlainTextResponse:
    """The list of coordinates of the scan as CSV, written to a file of this machine too where one is named."""
    try:
        gated = _gated(body)
    except InputError:
        gated = None
    found = _scan(body, gated, to=body.to)
    return PlainTextResponse(found.table(), media_type="text/csv")


def _gated(body: ToPlan) -> GatedPlan:
    room = body.room
    return plan_gated(
        (room.length_m, room.width_m, room.height_m),
        loudspeaker_height_m=room.height_m / 2 if room.stand_m is None else room.stand_m,
        distance_m=room.distance_m,
        cabinet_m=body.cabinet.size(),
        lowest_driver_diameter_m=room.driver_m,
        to_side_wall_m=room.side_wall_m,
        to_front_wall_m=room.front_wall_m,
    )


def _scan(body: ToPlan, gated: GatedPlan | None, *, to: str | None = None) -> ScanPlan:
    return scan_plan(
        body.cabinet.size(),
        body.scan.highest_hz,
        robot=body.scan.robot,
        time_per_point_s=body.scan.time_per_point_s,
        gate_s=None if gated is None else gated.gate_s,
        to=None if to is None else whole_path(to),
    )


_TOLD_TAKES = 400


class Described(Body):
    """A session as tables and keys; step_deg : of orbits that are still to be recorded."""

    document: dict[str, JsonValue]
    folder: str = Field(default="", max_length=1000)
    step_deg: float = Field(default=10.0, ge=1.0, le=180.0)


class SessionToWrite(Described):
    """base : hash of the session.toml that the form was last written to or read from, "" for none."""

    base: str = Field(default="", max_length=64)


@router.get("/api/measure/session/form", tags=["measure session"])
def session_form(archive: OpenArchive) -> dict[str, Any]:
    """Tables and fields, what the rig's earlier sessions say, and the forms that are begun."""
    kept = drafts.drafts_named(archive, f"{SESSION_FORM}:")
    begun = [{"number": int(one.key.partition(":")[2]), "value": one.value, "at": one.saved_at} for one in kept]
    return {"tables": form_tables(), "rig": remembered(archive), "forms": sorted(begun, key=lambda one: one["at"])}


@router.post("/api/measure/session/check", tags=["measure session"])
def session_check(body: Described) -> dict[str, Any]:
    """What is wrong, each fault with the path of its field; the takes that are asked for; and, where the folder has
    recordings, what still keeps it from being taken in, None where nothing does."""
    text = toml_text(body.document)
    takes: tuple[Any, ...] = ()
    open_faults: list[dict[str, Any]] = []
    lacking: list[dict[str, Any]] | None = None
    document, lines = parsed_session(text, Path())
    try:
        angles = orbit_angles(body.step_deg)
        takes = planned_of(Path(), document, lines, {"horizontal": angles, "vertical": angles}).session.takes
    except SessionError as error:
        open_faults = [_told_fault(fault, lines) for fault in error.faults]
    except InputError as error:
        open_faults = [{"what": error.what, "expected": error.expected, "remedy": "", "path": ["step_deg"]}]
    can_record = not open_faults
    if body.folder:
        try:
            takes = session_of(whole_path(body.folder), *parsed_session(text, Path())).takes
            open_faults = []
        except SessionError as error:
            lacking = [_told_fault(fault, lines) for fault in error.faults]
            # What is wrong in either way: recordings that lack are no fault of the form, nor are those of another kind
            # than a sound card would write.
            open_faults = min(open_faults, lacking, key=len)
    return {
        "faults": open_faults, "takes": [one.id for one in takes[:_TOLD_TAKES]], "count": len(takes),
        "lacking": lacking,
        "is_whole": bool(body.folder) and lacking is None, "can_record": can_record,
    }  # fmt: skip


@router.post("/api/measure/session/read", tags=["measure session"])
def session_read(body: Folder) -> dict[str, Any]:
    """The session.toml of a folder as tables and keys, its comments beside them."""
    folder = whole_path(body.folder)
    if not (folder / FILE).exists():
        raise InputError.of("bench.no_session_toml", where=str(folder))
    text = read_toml(folder / FILE, FILE)
    document, _ = parsed_session(text, folder)
    # Dates and numbers that JSON has no word for as text: the check tells of them.
    plain = json.loads(json.dumps(with_comments(document, text), default=str), parse_constant=str)
    return {"document": plain, "base": _hash(text)}


@router.post("/api/measure/session/write", tags=["measure session"])
def session_write(body: SessionToWrite) -> dict[str, str]:
    """Write session.toml; one that is there is kept as session.toml.old, and is left where it was changed since."""
    path = whole_path(body.folder) / FILE
    if path.exists() and _hash(read_toml(path, FILE)) != body.base:
        raise InputError.of("bench.session_toml_changed", where=str(path))
    text = toml_text(body.document)
    put_session(path, text)
    return {"path": str(path), "base": _hash(text)}


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _told_fault(fault: Fault, lines: dict[Keys, int]) -> dict[str, Any]:
    """A fault with the path of the table or key that its line begins."""
    at = sorted((len(path), path) for path, line in lines.items() if line == fault.line and len(path) < 6)
    key = fault.field.replace(",", ".").rpartition(".")[2].strip()
    paths = [path for _, path in at]
    # The line of a table tells of a key that it lacks.
    path = next((one for one in paths if one[-1] == key), None)
    if path is None:
        path = (*(paths[-1] if paths else ()), *([key] if key and key.isidentifier() else ()))
    return {"what": fault.what, "expected": fault.expected, "remedy": fault.remedy, "path": list(path)}


CHART_PX = 900


class Look(ToAdd):
    """The same for responses, with what a person corrects."""

    corrections: list[Correction] = Field(default=[], max_length=2000)


class ResponsesToWrite(Look):
    """The same, with the facts; again : over a session.toml that is there."""

    facts: Stated
    again: bool = False


@router.post("/api/measure/responses/look", tags=["measure responses"])
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


@router.post("/api/measure/responses/write", tags=["measure responses"])
def responses_write(body: ResponsesToWrite, bench: BenchState) -> dict[str, str]:
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
