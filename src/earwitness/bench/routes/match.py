"""The place Match."""

from dataclasses import replace
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse
from pydantic import Field

from earwitness.app import match as acts
from earwitness.app.advice import match_lines
from earwitness.app.listen import findings_of
from earwitness.app.read import ReadResult
from earwitness.app.settings import FARTHEST_M, NEAREST_M, distance_in, keep_distance
from earwitness.bench.pages import page
from earwitness.bench.state import Bench, BenchState, Body, Entry, Id
from earwitness.exhibits import match
from earwitness.exhibits.advice import Advice, MatchAdvice, SeatsAdvice
from earwitness.exhibits.chart import Chart, Table
from earwitness.exhibits.mend import seat_chart
from earwitness.exhibits.record import record
from earwitness.exhibits.words import figure_words, true_minus
from earwitness.figures.kinds import lacks
from earwitness.insight.match.seats import CINEMA_DB, CINEMA_PEAK_DB
from earwitness.insight.match.subwoofer import CORNERS_HZ, SCHEMES, SLOPES, slope_words
from earwitness.render.html import figure_html, table_html
from earwitness.session.amplifier_sheet import AmplifierSheet
from earwitness.session.room_plan import RoomPlan
from earwitness.session.small_toml import small_toml, small_toml_text

router = APIRouter()
CHART_PX = 660
Slopes = Annotated[str, Field(pattern=r"^(none|[BL][WR][1-8])/[BL][WR][1-8]$")]


class Distance(Body):
    """How far from a loudspeaker the tester listens."""

    distance_m: Annotated[float, Field(ge=NEAREST_M, le=FARTHEST_M, allow_inf_nan=False)]


class Level(Body):
    """Where one listens, and how loud."""

    distance_m: Annotated[float, Field(ge=NEAREST_M, le=FARTHEST_M, allow_inf_nan=False)] | None = None
    goal_db: Annotated[float, Field(ge=40, le=120, allow_inf_nan=False)] = CINEMA_DB
    peak_db: Annotated[float, Field(ge=0, le=30, allow_inf_nan=False)] = CINEMA_PEAK_DB


class AmplifierAsked(Level):
    """An amplifier for this load."""

    amplifier: AmplifierSheet


class SubwooferAsked(Body):
    """The crossover; None for what the search finds best."""

    corner_hz: Annotated[float, Field(ge=20, le=300, allow_inf_nan=False)] | None = None
    slopes: Slopes | None = None


class SeatsAsked(Level):
    """A room plan. loudspeaker : whose curves are drawn."""

    room: RoomPlan
    amplifier: AmplifierSheet | None = None
    loudspeaker: Annotated[str, Field(max_length=400)] = ""


class WordsAsked(Level, SubwooferAsked):
    """What the sentences are to rest on."""

    amplifier: AmplifierSheet | None = None


class AnswersAsked(WordsAsked):
    """All that the answers are to rest on."""

    room: RoomPlan | None = None


class TextAsked(Body):
    """The text of a TOML file."""

    text: Annotated[str, Field(max_length=400_000)]


@router.get("/match", response_class=HTMLResponse, include_in_schema=False)
def match_none(request: Request) -> HTMLResponse:
    """No loudspeaker in hand."""
    return page(request, "match.html.jinja", place="match", title="Match", facts=None)


@router.get("/match/{loudspeaker_id}", response_class=HTMLResponse, include_in_schema=False)
def match_page(request: Request, entry: Entry, bench: BenchState) -> HTMLResponse:
    """What stands around one loudspeaker."""
    facts = None
    unasked: list[str] = []
    if bench.has_session(entry.id):
        kinds = bench.kinds(entry.id)
        unasked = [one for one in ("amplifier", "subwoofer") if lacks(kinds, "questions", one)]
        facts = {
            "id": entry.id,
            "corners_hz": CORNERS_HZ,
            "slopes": {slope: slope_words(slope) for slope in SLOPES},
            "usual": [f"{one.high_pass or 'none'}/{one.low_pass}" for one in SCHEMES],
            "distance_m": distance_in(bench.archive_folder),
            "goal_db": CINEMA_DB,
            "peak_db": CINEMA_PEAK_DB,
        }
    return page(
        request, "match.html.jinja", place="match", title="Match", loudspeaker=entry, facts=facts, unasked=unasked
    )


@router.put("/api/match/listening-distance", tags=["match"])
def match_keep_distance(body: Distance, bench: BenchState) -> dict[str, Any]:
    """Keep the tester's listening distance, as `earwitness archive listening-distance` does."""
    kept = keep_distance(body.distance_m, bench.archive_folder)
    return {"distance_m": kept, "sentence": f"Figures, advice and reviews are for {kept:g} m from now on."}


@router.post("/api/match/{loudspeaker_id}/amplifier", tags=["match"])
def match_amplifier(loudspeaker_id: Id, body: AmplifierAsked, bench: BenchState) -> dict[str, Any]:
    """Whether it can drive the load, how loud it gets, and what it does to the balance."""
    result = bench.reading(loudspeaker_id)
    made = acts.amplifier_for(
        result, body.amplifier, distance_m=body.distance_m, goal_db=body.goal_db, peak_db=body.peak_db
    )
    return {
        "can_drive": made.can_drive,
        "why": true_minus(made.why),
        "sentences": [true_minus(words) for words in made.sentences],
        "html": _shown(match.amplifier_table(made), match.level_chart(made), match.change_chart(made)),
    }


@router.post("/api/match/{loudspeaker_id}/subwoofer", tags=["match"])
def match_subwoofer(loudspeaker_id: Id, body: SubwooferAsked, bench: BenchState) -> dict[str, Any]:
    """The crossover, and what it buys."""
    result, absent = bench.reading(loudspeaker_id), dict[str, str]()
    scheme = None if body.slopes is None else acts.scheme_of(body.slopes)
    made = acts.subwoofer_for(result, absent, corner_hz=body.corner_hz, scheme=scheme)
    if made is None:
        return {"absent": absent["subwoofer"], "html": ""}
    best = made.best
    return {
        "absent": "",
        "corner_hz": best.corner_hz,
        "slopes": f"{best.scheme.high_pass or 'none'}/{best.scheme.low_pass}",
        "sentences": [true_minus(words) for words in made.sentences],
        "html": _shown(match.subwoofer_chart(made)),
    }


@router.post("/api/match/{loudspeaker_id}/seats", tags=["match"])
def match_seats(loudspeaker_id: Id, body: SeatsAsked, bench: BenchState) -> dict[str, Any]:
    """What every seat of a plan gets from every loudspeaker on it."""
    result = bench.reading(loudspeaker_id)
    amplifier = None if body.amplifier is None else acts.amplifier_for(result, body.amplifier)
    made = acts.seats_for(result, body.room, amplifier, goal_db=body.goal_db, peak_db=body.peak_db)
    name = body.loudspeaker if body.loudspeaker in made.spreads else body.room.loudspeakers[0].name
    # The sentences of the table's note stand beside the plan.
    goal = f"Headroom is against {body.goal_db:g} dB with peaks {body.peak_db:g} dB above, in free field."
    shown = {"html": _shown(seat_chart(made, name)), "table": _shown(replace(match.seats_table(made), note=goal))}
    return {**_seats(made), "loudspeaker": name, **shown}


@router.post("/api/match/{loudspeaker_id}/room", tags=["match"])
def match_room(loudspeaker_id: Id, body: SeatsAsked, bench: BenchState) -> dict[str, Any]:
    """What the room of a plan does, and the prediction against takes at its seats."""
    result, absent = bench.reading(loudspeaker_id), dict[str, str]()
    amplifier = None if body.amplifier is None else acts.amplifier_for(result, body.amplifier)
    made = (acts.seats_heard(result, body.room, absent), acts.room_for(result, body.room, amplifier, absent))
    said = [words for one in made if one is not None for words in one.sentences]
    seats = made[0]
    shown = _shown(None if seats is None else match.at_seats_chart(seats))
    return {"sentences": [true_minus(words) for words in said], "absent": absent.get("room", ""), "html": shown}


@router.post("/api/match/{loudspeaker_id}/words", tags=["match"])
def match_words(loudspeaker_id: Id, body: WordsAsked, bench: BenchState) -> dict[str, Any]:
    """The maker's claims held against the data, and for whom it is."""
    made = _matched(bench, bench.reading(loudspeaker_id), body)
    return {
        "claims": _shown(match.claims_table(made.claims)),
        "no_claims": made.absent.get("claims", ""),
        "for_whom": [{"topic": one.topic, "text": true_minus(one.text)} for one in made.for_whom],
    }


@router.post("/api/match/{loudspeaker_id}/text", tags=["match"])
def match_text(loudspeaker_id: Id, body: AnswersAsked, bench: BenchState) -> dict[str, str]:
    """Everything that is answered here as text, as the command `match` prints it; for the desk, Match is done then."""
    result = bench.reading(loudspeaker_id)
    bench.saw(loudspeaker_id, "match asked")
    lines = match_lines(result, Advice(match=_matched(bench, result, body, body.room)))
    return {"text": "\n".join(lines) + "\n"}


def _matched(bench: Bench, result: ReadResult, body: WordsAsked, room: RoomPlan | None = None) -> MatchAdvice:
    with bench.heavy:
        findings = findings_of(result, bench.archive_folder)
    asked = record(body, "amplifier distance_m goal_db peak_db corner_hz")
    scheme = None if body.slopes is None else acts.scheme_of(body.slopes)
    return acts.match_loudspeaker(result, findings, room=room, scheme=scheme, **asked)


@router.post("/api/match/files/{kind}/read", tags=["match"])
def match_read(kind: Literal["room", "amplifier"], body: TextAsked) -> dict[str, Any]:
    """A TOML file of a room plan or an amplifier, as the command line takes it, checked."""
    model, name = (RoomPlan, "the room plan") if kind == "room" else (AmplifierSheet, "the amplifier")
    read = small_toml(body.text, model, name=name, where="the file")
    return {"value": read.model_dump(mode="json", by_alias=True, exclude_none=True)}


@router.post("/api/match/files/room/write", tags=["match"])
def match_write_room(body: RoomPlan) -> dict[str, str]:
    """A room plan as the TOML file the command line takes."""
    return {"text": small_toml_text(body)}


@router.post("/api/match/files/amplifier/write", tags=["match"])
def match_write_amplifier(body: AmplifierSheet) -> dict[str, str]:
    """An amplifier as the TOML file the command line takes."""
    return {"text": small_toml_text(body)}


def _shown(*exhibits: Chart | Table | None) -> str:
    parts = []
    for one in exhibits:
        if isinstance(one, Table):
            parts.append(table_html(one))
        elif one is not None:
            parts.append(figure_html(one, CHART_PX))
    return "".join(parts)


def _seats(made: SeatsAdvice) -> dict[str, Any]:
    return {
        "angles": [
            {
                **record(a, "loudspeaker seat distance_m azimuth_deg elevation_deg"),
                "level": figure_words(made.levels[a.loudspeaker, a.seat]),
                "headroom": figure_words(made.headroom[a.loudspeaker, a.seat], sign=True),
            }
            for a in made.angles
        ],
        "aims": {
            name: {"sentence": true_minus(aim), "azimuth_deg": None}
            if isinstance(aim, str)
            else {"sentence": true_minus(aim.sentence), "azimuth_deg": aim.aim_azimuth_deg}
            for name, aim in made.aims.items()
        },
        "sentences": [true_minus(words) for words in made.sentences],
    }
