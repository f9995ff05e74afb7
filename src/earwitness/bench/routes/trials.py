"""Trials in the place Listen: two sounds at one loudness, which is which, and how small a finding is heard."""

from dataclasses import asdict
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Request, Response
from fastapi.responses import HTMLResponse
from pydantic import Field

from earwitness.app import trial
from earwitness.app.audition import CAUTIONS, LIMITS, ROOM_LIMITS, ears_in
from earwitness.app.listen import data_shown_at
from earwitness.audition.material import MATERIAL
from earwitness.bench.pages import page
from earwitness.bench.state import Bench, BenchState, Body, Id
from earwitness.errors import InputError
from earwitness.exhibits.record import record
from earwitness.insight.mend.equalizer import MOST_BANDS, BandKind

router = APIRouter()
Number = Annotated[str, Path(pattern=r"^[0-9a-f]{8}$")]
Turn = Annotated[int, Field(ge=1, le=trial.MOST_TRIALS)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Form = Annotated[str, Field(max_length=20)]


class RoomAsked(Body):
    """A pair in a room, for headphones."""

    size: Annotated[str, Field(max_length=40)]
    reverberation_s: Finite | None = None
    seat_m: Finite | None = None


BandAsked = tuple[BandKind, Finite, Finite, Finite]


class TrialPlan(Body):
    """What is compared, with which sound, how often, by whom."""

    kind: Literal["abx", "prefer", "threshold"]
    forms: Annotated[tuple[Form, ...], Field(max_length=6)] = ()
    bands: Annotated[tuple[BandAsked, ...], Field(max_length=MOST_BANDS)] = ()
    finding: Annotated[int, Field(ge=1, le=1000)] | None = None
    curve: Literal["window", "axis", "in-room"] = "window"
    sound: Literal["pink", "pluck", "drums", "speech"] = "pink"
    trials: Annotated[int, Field(ge=1, le=1000)] | None = None
    listener: Annotated[str, Field(max_length=400)] = ""
    room: RoomAsked | None = None


class TrialAnswer(Body):
    """The answer to one trial."""

    trial: Turn
    answer: Literal["A", "B", "1", "2"]


@router.get("/listen/{loudspeaker_id}/trials", response_class=HTMLResponse, include_in_schema=False)
def trials_page(request: Request, bench: BenchState, loudspeaker_id: Id) -> HTMLResponse:
    """Trials of a loudspeaker: planned, done one by one, and what came out of all."""
    entry = bench.loudspeaker(loudspeaker_id)
    shown_at = data_shown_at(bench.archive_folder, name=entry.name, maker=entry.maker)
    given = {
        "id": entry.id,
        "is_shown": shown_at is not None,
        "kinds": dict(trial.KINDS),
        "sounds": list(MATERIAL),
        "earlier": [_told(one) for one in trial.all_trials(bench.archive_folder)],
    }
    return page(
        request,
        "listen_trials.html.jinja",
        place="listen",
        title="Trials",
        loudspeaker=entry,
        given=given,
        has_session=bench.has_session(entry.id),
        cautions=CAUTIONS,
        limits=(*LIMITS, *ROOM_LIMITS),
    )


@router.post("/api/listen/{loudspeaker_id}/comparable", tags=["listen"])
def comparable(loudspeaker_id: Id, bench: BenchState) -> dict[str, Any]:
    """What can be compared. From here on the data count as shown."""
    with bench.heavy:
        return asdict(trial.comparable(_name(bench, loudspeaker_id), bench.archive_folder))


@router.post("/api/listen/{loudspeaker_id}/trials", tags=["listen"])
def trials_begin(loudspeaker_id: Id, body: TrialPlan, bench: BenchState) -> dict[str, Any]:
    """Plan trials."""
    ears = None if body.room is None else ears_in(**body.room.model_dump(), head_set=None)
    asked = body.model_dump(exclude={"room"})
    with bench.heavy:
        return _told(trial.begin_trials(_name(bench, loudspeaker_id), bench.archive_folder, ears=ears, **asked))


@router.get("/api/listen/trials/{number}", tags=["listen"])
def trials_now(number: Number, bench: BenchState) -> dict[str, Any]:
    """How trials stand; key and secret only once they are over."""
    return _told(trial.trials_of(number, bench.archive_folder))


@router.get("/api/listen/trials/{number}/{turn}/{slot}", tags=["listen"])
def trial_sound(
    number: Number,
    turn: Annotated[int, Path(ge=1, le=trial.MOST_TRIALS)],
    slot: Annotated[str, Path(pattern="^[abx12]$")],
    bench: BenchState,
) -> Response:
    """A sound of the next trial, as a WAV file."""
    stands = trial.trials_of(number, bench.archive_folder)
    if turn != stands.answered + 1:
        raise InputError(f"trial {turn} does not play", expected=f"trial {stands.answered + 1}")
    with bench.heavy:
        sounds = trial.sounds_of(number, bench.archive_folder)
    if slot not in sounds:
        raise InputError(f"there is no sound {slot}", expected=", ".join(sounds))
    return Response(sounds[slot], media_type="audio/wav", headers={"Cache-Control": "no-store"})


@router.post("/api/listen/trials/{number}/answer", tags=["listen"])
def trial_answer(number: Number, body: TrialAnswer, bench: BenchState) -> dict[str, Any]:
    """Keep an answer."""
    return _told(trial.answer_trial(number, body.trial, body.answer, bench.archive_folder))


@router.post("/api/listen/trials/{number}/end", tags=["listen"])
def trials_end(number: Number, bench: BenchState) -> dict[str, Any]:
    """Break trials off."""
    return _told(trial.end_trials(number, bench.archive_folder))


def _name(bench: Bench, loudspeaker_id: int) -> str:
    entry = bench.loudspeaker(loudspeaker_id)
    return f"{entry.maker} {entry.name}"


def _told(one: trial.Trials) -> dict[str, Any]:
    about = record(one, "number kind loudspeaker listener sound versions")
    told = about | record(one, "promise begun_at planned answered broken_off is_over secret")
    outcome = None if one.outcome is None else record(one.outcome, "key answers sentence")
    return {**told, "outcome": outcome}
