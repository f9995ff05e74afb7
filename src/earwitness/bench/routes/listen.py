"""The place Listen: notes entered, sealed, and only then held against the data; blind tests under letters; trials of
two sounds, whose paths come before those of a loudspeaker."""

from dataclasses import asdict
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Request, Response
from fastapi.responses import HTMLResponse
from pydantic import Field

from earwitness.app import listen as acts
from earwitness.app import trial
from earwitness.app.audition import CAUTIONS, LIMITS, ROOM_LIMITS, ears_in
from earwitness.app.jobs import Progress
from earwitness.archive.entries import LoudspeakerEntry
from earwitness.audition.render import MATERIAL
from earwitness.bench.pages import page, part, safe
from earwitness.bench.state import Bench, BenchState, Body, Entry, Id
from earwitness.errors import InputError
from earwitness.exhibits.heard import heard_chart, heard_table, reliability_table
from earwitness.exhibits.record import record
from earwitness.insight.listening.matching import RemarkVerdict
from earwitness.insight.listening.remark import heard_words
from earwitness.insight.mend.equalizer import MOST_BANDS, BandKind
from earwitness.render.html import figure_html, table_html

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
def trials_page(request: Request, bench: BenchState, entry: Entry) -> HTMLResponse:
    """Trials of a loudspeaker: planned, done one by one, and what came out of all."""
    shown_at = acts.data_shown_at(bench.archive_folder, name=entry.name, maker=entry.maker)
    given = {
        "id": entry.id,
        "is_shown": shown_at is not None,
        "kinds": dict(trial.KINDS),
        "sounds": list(MATERIAL),
        "earlier": [_trials_told(one) for one in trial.all_trials(bench.archive_folder)],
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
def comparable(entry: Entry, bench: BenchState) -> dict[str, Any]:
    """What can be compared. From here on the data count as shown."""
    with bench.heavy:
        return asdict(trial.comparable(entry.title, bench.archive_folder))


@router.post("/api/listen/{loudspeaker_id}/trials", tags=["listen"])
def trials_begin(entry: Entry, body: TrialPlan, bench: BenchState) -> dict[str, Any]:
    """Plan trials."""
    ears = None if body.room is None else ears_in(**body.room.model_dump(), head_set=None)
    asked, name = body.model_dump(exclude={"room"}), entry.title
    with bench.heavy:
        return _trials_told(trial.begin_trials(name, bench.archive_folder, ears=ears, **asked))


@router.get("/api/listen/trials/{number}", tags=["listen"])
def trials_now(number: Number, bench: BenchState) -> dict[str, Any]:
    """How trials stand; key and secret only once they are over."""
    return _trials_told(trial.trials_of(number, bench.archive_folder))


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
    return _trials_told(trial.answer_trial(number, body.trial, body.answer, bench.archive_folder))


@router.post("/api/listen/trials/{number}/end", tags=["listen"])
def trials_end(number: Number, bench: BenchState) -> dict[str, Any]:
    """Break trials off."""
    return _trials_told(trial.end_trials(number, bench.archive_folder))


def _trials_told(one: trial.Trials) -> dict[str, Any]:
    about = record(one, "number kind loudspeaker listener sound versions")
    told = about | record(one, "promise begun_at planned answered broken_off is_over secret")
    outcome = None if one.outcome is None else record(one.outcome, "key answers sentence")
    return {**told, "outcome": outcome}


Letter = Annotated[str, Field(pattern=r"^[A-H]$")]
Words = Annotated[str, Field(max_length=400)]
_WIDTH_PX = 900


class EnteredPassage(Body):
    """A piece that was played."""

    name: Words
    kind: Literal["music", "film", "speech", "test signal"]
    level_db: Finite | None = None


class EnteredRemark(Body):
    """One thing heard. at_s : since the clock was started."""

    word: Words
    region_hz: tuple[Finite, Finite]
    direction: Literal["too much", "too little", "sharp", "hollow", "uneven", "even"]
    strength: Literal["slight", "clear", "strong"]
    passage: Words | None = None
    text: Annotated[str, Field(max_length=2000)] = ""
    at_s: Finite | None = None


class EnteredSheet(Body):
    """A sheet as it was entered; the rules for it are those of a sheet in a file."""

    loudspeaker: Words = ""
    maker: Words = ""
    time: Words = ""
    listener: Words | None = None
    blind: bool
    equalizer: bool
    level_db: Finite
    aim_deg: Finite
    distance_m: Finite
    pieces: Annotated[int, Field(ge=1, le=16)] = 2
    text: Annotated[str, Field(max_length=20_000)] = ""
    passages: Annotated[list[EnteredPassage], Field(max_length=100)]
    remarks: Annotated[list[EnteredRemark], Field(max_length=60)]
    letter: Letter | None = None


class BlindSheets(Body):
    """The sheets of all letters."""

    sheets: Annotated[list[EnteredSheet], Field(min_length=1, max_length=8)]


class Named(Body):
    """A loudspeaker by its name and maker."""

    name: Words
    maker: Words


class Lettered(Body):
    """The loudspeakers of a blind test."""

    loudspeakers: Annotated[list[Named], Field(min_length=1, max_length=8)]


class BlindLevels(Body):
    """Levels of pink noise at the seat, dB SPL, by letter."""

    levels_db: Annotated[
        dict[Letter, Annotated[float, Field(ge=20, le=130, allow_inf_nan=False)]], Field(min_length=1, max_length=8)
    ]


@router.get("/listen", response_class=HTMLResponse, include_in_schema=False)
def listen_new(request: Request, bench: BenchState) -> HTMLResponse:
    """A sheet for a loudspeaker that has no session yet, and all sealed sheets."""
    return _sheet_page(request, bench, "new", None, acts.sealed_sheets(bench.archive_folder))


@router.get("/listen/blind", response_class=HTMLResponse, include_in_schema=False)
def listen_blind(request: Request, bench: BenchState) -> HTMLResponse:
    """A blind test."""
    return _sheet_page(request, bench, "blind", None, acts.sealed_sheets(bench.archive_folder))


@router.get("/listen/record", response_class=HTMLResponse, include_in_schema=False)
def listen_record(request: Request) -> HTMLResponse:
    """How reliable the tester's ear is, over all reviews."""
    return page(request, "listen_record.html.jinja", place="listen", title="How often you were right")


@router.get("/listen/{loudspeaker_id}", response_class=HTMLResponse, include_in_schema=False)
def listen_to(request: Request, bench: BenchState, entry: Entry) -> HTMLResponse:
    """A sheet for a loudspeaker of the archive, whose data stay closed."""
    kept = acts.sealed_sheets(bench.archive_folder, name=entry.name, maker=entry.maker)
    return _sheet_page(request, bench, str(entry.id), entry, kept)


@router.get("/listen/{loudspeaker_id}/held", response_class=HTMLResponse, include_in_schema=False)
def listen_held(request: Request, bench: BenchState, entry: Entry) -> HTMLResponse:
    """The page on which notes are held against the data; the data come with the part below."""
    shown_at = acts.data_shown_at(bench.archive_folder, name=entry.name, maker=entry.maker)
    return page(
        request,
        "listen_held.html.jinja",
        place="listen",
        title="Notes against data",
        loudspeaker=entry,
        shown_at=shown_at,
        has_session=bench.has_session(entry.id),
    )


@router.get("/listen/{loudspeaker_id}/held/part", response_class=HTMLResponse, include_in_schema=False)
def listen_held_part(request: Request, bench: BenchState, loudspeaker_id: Id) -> HTMLResponse:
    """Every sealed sheet with its verdicts, what was not heard, and how likely as much agreement is by chance."""
    result, advice = bench.reading(loudspeaker_id), bench.advice(loudspeaker_id)
    shown = []
    for number, heard in enumerate(advice.heard, 1):
        chart = heard_chart(result.reading, result.measurement, heard, advice.findings, number=number)
        table = heard_table(heard, advice.findings, number=number)
        verdicts: tuple[RemarkVerdict, ...] = ("agrees", "contradicts", "no match in the data")
        shown.append(
            {
                "mark": acts.mark_words(heard.is_after_data),
                "sealed_at": heard.sealed_at,
                "counts": [(verdict, heard.matching.count(verdict)) for verdict in verdicts],
                "chart": safe(figure_html(chart, _WIDTH_PX)) if chart is not None else "",
                "table": safe(table_html(table)),
            }
        )
    return part(request, "listen_held_part.html.jinja", sheets=shown, loudspeaker_id=loudspeaker_id)


@router.get("/listen/{loudspeaker_id}/sealed", response_class=HTMLResponse, include_in_schema=False)
def listen_sealed(
    request: Request, bench: BenchState, loudspeaker_id: Annotated[str, Path(pattern=r"^(new|blind|[0-9]{1,15})$")]
) -> HTMLResponse:
    """The list of sealed sheets, for the page to put in place after sealing."""
    kept = acts.sealed_sheets(bench.archive_folder)
    if loudspeaker_id.isdigit():
        entry = bench.loudspeaker(int(loudspeaker_id))
        kept = acts.sealed_sheets(bench.archive_folder, name=entry.name, maker=entry.maker)
    return part(request, "listen_sealed.html.jinja", sheets=kept[::-1], ids=_ids(bench))


@router.post("/api/listen/seal", tags=["listen"])
def listen_seal(body: EnteredSheet, bench: BenchState) -> dict[str, Any]:
    """Seal a sheet: its hash, the time, and whether the data were known."""
    return _told(acts.seal_entered(_document(body), bench.archive_folder))


@router.post("/api/listen/gains", tags=["listen"])
def listen_gains(body: BlindLevels) -> dict[str, Any]:
    """Gains that bring every letter to the quietest."""
    return {"gains_db": acts.matching_gains(body.levels_db), "level_db": min(body.levels_db.values())}


@router.post("/api/listen/blind", tags=["listen"])
def blind_begin(body: Lettered, bench: BenchState) -> dict[str, Any]:
    """Deal the letters of a blind test."""
    return _seen(acts.begin_test([(one.name, one.maker) for one in body.loudspeakers], bench.archive_folder))


@router.get("/api/listen/blind/{number}", tags=["listen"])
def blind_now(number: Number, bench: BenchState) -> dict[str, Any]:
    """A blind test; what its letters stand for only once it is sealed."""
    return _seen(acts.blind_test(number, bench.archive_folder))


@router.get("/api/listen/blind/{number}/card", tags=["listen"])
def blind_card(number: Number, bench: BenchState) -> dict[str, Any]:
    """Which letter is which, for the helper's eyes."""
    return {"lines": list(acts.helper_card(number, bench.archive_folder))}


@router.post("/api/listen/blind/{number}/seal", tags=["listen"])
def blind_seal(number: Number, body: BlindSheets, bench: BenchState) -> dict[str, Any]:
    """Seal the sheets of all letters, and tell what the letters stood for."""
    hidden = {"loudspeaker": "hidden", "maker": "hidden", "blind_test": number}
    sheets = [acts.entered_sheet({**_document(one), **hidden}) for one in body.sheets]
    made = acts.seal_test(number, sheets, bench.archive_folder)
    return {"sheets": [_told(one) for one in made], "test": _seen(acts.blind_test(number, bench.archive_folder))}


@router.post("/api/listen/{loudspeaker_id}/hold", tags=["listen"])
def listen_hold(entry: Entry, bench: BenchState) -> dict[str, Any]:
    """Read the data and hold the sealed notes against them, as a job. From here on the data count as shown."""

    def work(progress: Progress) -> dict[str, Any]:
        progress(0.1, "read the data")
        bench.reading(entry.id)
        progress(0.6, "findings, and the notes against them")
        advice = bench.advice(entry.id)
        return {"sheets": len(advice.heard)}

    return asdict(bench.jobs.start(f"Hold the notes on {entry.title} against the data", work))


@router.post("/api/listen/record", tags=["listen"])
def listen_reliability(bench: BenchState) -> dict[str, Any]:
    """Count, over all sheets sealed before the data, how often remarks agree, as a job."""

    def work(progress: Progress) -> dict[str, Any]:
        progress(0.1, "read every loudspeaker that has sealed notes")
        with bench.heavy:
            table = reliability_table(acts.own_record(bench.archive_folder)[0])
        return {"table": None if table is None else record(table, "title columns align rows note")}

    return asdict(bench.jobs.start("Count how often remarks agree", work))


def _sheet_page(
    request: Request, bench: Bench, key: str, entry: LoudspeakerEntry | None, kept: tuple[acts.KeptSheet, ...]
) -> HTMLResponse:
    shown_at = None
    if entry is not None:
        shown_at = acts.data_shown_at(bench.archive_folder, name=entry.name, maker=entry.maker)
    last = kept[-1].sheet if kept else None
    given = {
        "key": key,
        "vocabulary": [asdict(word) for word in heard_words().values()],
        "loudspeaker": None if entry is None else record(entry, "id name maker"),
        "usual": None
        if last is None
        else {
            **record(last, "level_db distance_m aim_deg pieces"),
            "listener": "" if last.listener == "not stated" else last.listener,
            "passages": [record(one, "name kind level_db") for one in last.passages],
        },
    }
    return page(
        request,
        "listen.html.jinja",
        place="listen",
        title="Listen",
        loudspeaker=entry,
        key=key,
        given=given,
        shown_at=shown_at,
        has_session=entry is not None and bench.has_session(entry.id),
        sheets=kept[::-1],
        ids=_ids(bench),
    )


def _ids(bench: Bench) -> dict[tuple[str, str], int]:
    return {(one.maker.casefold(), one.name.casefold()): one.id for one in bench.loudspeakers()}


def _document(body: EnteredSheet) -> dict[str, Any]:
    """The keys of a sheet's file; what was left out is not among them."""
    made = body.model_dump(exclude_none=True)
    made["passage"], made["remark"] = made.pop("passages"), made.pop("remarks")
    for remark in made["remark"]:
        remark["region_hz"] = list(remark["region_hz"])
    return {"format": 1, **made}


def _told(made: acts.SealedSheet) -> dict[str, Any]:
    return {**record(made.entry, "sha256 sealed_at is_after_data"), **record(made, "remarks lines")}


def _seen(test: acts.BlindTest) -> dict[str, Any]:
    revealed = None
    if test.revealed is not None:
        revealed = {letter: {"name": name, "maker": maker} for letter, (name, maker) in test.revealed.items()}
    told = record(test, "number promise begun_at secret")
    return {**told, "letters": list(test.letters), "revealed": revealed}
