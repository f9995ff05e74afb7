"""Live measuring in the place Measure: the tester's choices in; what happens goes out with `events`."""

from typing import Any

from fastapi import APIRouter
from pydantic import Field

from earwitness.app.measure import LiveSetup, Text, next_rehearsal
from earwitness.bench.live import Starter, Tab
from earwitness.bench.routes.measure import Folder, Nothing, whole_path
from earwitness.bench.state import BenchState, Body
from earwitness.errors import InputError

router = APIRouter(prefix="/api/measure/live", tags=["measure live"])


class Calibrator(Tab):
    """A calibrator on the microphone. folder : the open one, as the page shows it; source : input device."""

    folder: str = Field(min_length=1, max_length=1000)
    source: Text | None = None
    rate_hz: int | None = Field(default=None, ge=8000, le=192_000)
    microphone: int = Field(default=1, ge=1, le=64)
    level_db: float = Field(default=94.0, ge=60.0, le=130.0)
    frequency_hz: float = Field(default=1000.0, ge=100.0, le=4000.0)


class Level(Starter):
    """The level wanted at the microphone, and how far it is from the loudspeaker."""

    target_db: float = Field(ge=40.0, le=120.0)
    distance_m: float = Field(ge=0.05, le=100.0)


class ToRecord(Starter):
    """take : its id, None for every open one; pause_s : count-down before each; away : the tester leaves the room."""

    take: Text | None = None
    pause_s: float = Field(default=3.0, ge=0.0, le=600.0)
    away: bool = False


class TakeAgain(Body):
    """A take to repeat."""

    take: Text


class Table(Body):
    """A turntable. address : HOST:PORT, a serial port or "simulated", None to let it go; zero : call where it stands
    zero."""

    address: Text | None = None
    zero: bool = False


class Decision(Body):
    """Whether a faulty recording is kept."""

    keep: bool


@router.get("")
def live_state(bench: BenchState) -> dict[str, Any]:
    """What the live session is at."""
    return bench.live.told()


@router.get("/devices")
def live_devices(bench: BenchState) -> dict[str, Any]:
    """All sound devices, looked for anew."""
    return bench.live.devices()


@router.post("/open")
def live_open(body: Folder, bench: BenchState) -> dict[str, Any]:
    """Look at a session folder; a live session begun there is there again."""
    bench.live.open(whole_path(body.folder))
    return bench.live.told()


@router.post("/rehearse")
def live_rehearse(_body: Nothing, bench: BenchState) -> dict[str, Any]:
    """Begin a session of an invented loudspeaker, for the simulated wire."""
    bench.live.open(next_rehearsal(bench.archive_folder))
    return bench.live.told()


@router.post("/leave")
def live_leave(_body: Nothing, bench: BenchState) -> dict[str, Any]:
    """Let the folder go; all that is in it stays."""
    bench.live.leave()
    return bench.live.told()


@router.post("/setup")
def live_setup(body: LiveSetup, bench: BenchState) -> dict[str, Any]:
    """Begin the live session with these choices, or change them. Nothing is played."""
    bench.live.set_up(body)
    return bench.live.told()


@router.post("/turntable")
def live_turntable(body: Table, bench: BenchState) -> dict[str, Any]:
    """Connect a turntable, ask it where it stands, set its zero, or let it go. Nothing turns."""
    bench.live.join_table(body.address, zero=body.zero)
    return bench.live.told()


@router.post("/calibrate")
def live_calibrate(body: Calibrator, bench: BenchState) -> dict[str, Any]:
    """Record a calibrator on the microphone. Nothing is played."""
    if body.folder != bench.live.told()["folder"]:
        raise InputError("this folder is not open", remedy="open it under Record first")
    bench.live.calibrate(
        LiveSetup(source=body.source, rate_hz=body.rate_hz), microphone=body.microphone, level_db=body.level_db,
        frequency_hz=body.frequency_hz, tab=body.tab,
    )  # fmt: skip
    return bench.live.told()


@router.post("/level")
def live_level(body: Level, bench: BenchState) -> dict[str, Any]:
    """Raise noise slowly from silence to the level wanted."""
    bench.live.raise_level(body, target_db=body.target_db, distance_m=body.distance_m)
    return bench.live.told()


@router.post("/loopback")
def live_loopback(body: Starter, bench: BenchState) -> dict[str, Any]:
    """Play a quiet sweep and look for it in the loop-back."""
    bench.live.look_at_loopback(body)
    return bench.live.told()


@router.post("/record")
def live_record(body: ToRecord, bench: BenchState) -> dict[str, Any]:
    """Record a take, or every open one."""
    bench.live.record(body, take=body.take, pause_s=body.pause_s, away=body.away)
    return bench.live.told()


@router.post("/again")
def live_again(body: TakeAgain, bench: BenchState) -> dict[str, Any]:
    """Open a take that is recorded; its recording is kept under spoiled/."""
    bench.live.again(body.take)
    return bench.live.told()


@router.post("/decide")
def live_decide(body: Decision, bench: BenchState) -> dict[str, bool]:
    """Keep a faulty recording, or leave its take open."""
    bench.live.decide(body.keep)
    return {"keep": body.keep}


@router.post("/silence")
def live_silence(_body: Nothing, bench: BenchState) -> dict[str, bool]:
    """Silence at once."""
    bench.live.silence()
    return {"silenced": True}


@router.post("/beat")
def live_beat(body: Tab, bench: BenchState) -> dict[str, bool]:
    """A sign of life of a page."""
    bench.live.live(body.tab)
    return {"heard": True}


@router.post("/gone")
def live_gone(body: Tab, bench: BenchState) -> dict[str, bool]:
    """A page is being closed or reloaded: what it started is silenced."""
    bench.live.gone(body.tab)
    return {"heard": True}
