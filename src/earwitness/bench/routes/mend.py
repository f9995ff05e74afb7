"""The place Mend."""

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Query, Request, Response
from fastapi.responses import HTMLResponse
from pydantic import Field

from earwitness.app.listen import findings_of
from earwitness.app.mend import FILES, EqualizerEditor, equalizer_file, equalizer_of, limits_of, live_levels
from earwitness.app.read import ReadResult
from earwitness.app.trial import own_trials
from earwitness.bench.pages import page, safe
from earwitness.bench.state import Bench, BenchState, Body, Entry, Id
from earwitness.errors import InputError
from earwitness.exhibits.advice import size_words
from earwitness.exhibits.heard import trial_words
from earwitness.exhibits.mend import desk_chart, desk_rows
from earwitness.exhibits.record import record
from earwitness.exhibits.words import true_minus
from earwitness.files.data import table_of
from earwitness.insight.findings import KINDS
from earwitness.insight.findings.finding import AimAnswer
from earwitness.insight.mend.aim import AimStudy, aim_words
from earwitness.insight.mend.equalizer import DEFAULT_RATE_HZ, MOST_BANDS, BandKind, Equalizer
from earwitness.insight.mend.equalizer import KINDS as BAND_KINDS
from earwitness.insight.mend.stop import EqualizerVerdict
from earwitness.insight.mend.task import EqualizerLimits
from earwitness.render.html import figure_html

router = APIRouter()
CHART_PX = 740
Decibels = Annotated[float, Field(ge=-60, le=40, allow_inf_nan=False)]
Quality = Annotated[float, Field(ge=0.05, le=50, allow_inf_nan=False)]
Hertz = Annotated[float, Field(ge=5, le=24_000, allow_inf_nan=False)]


class BandAsked(Body):
    """One band as it is set."""

    kind: BandKind
    frequency_hz: Annotated[float, Field(ge=5, le=23_000, allow_inf_nan=False)]
    gain_db: Annotated[float, Field(ge=-40, le=40, allow_inf_nan=False)]
    q: Annotated[float, Field(ge=0.05, le=50, allow_inf_nan=False)]


class GoalAsked(Body):
    """words : even, slope=-0.8, or table, whose points stand in `table`."""

    words: Annotated[str, Field(pattern=r"^(even|table|slope=[+-]?\d{1,2}(\.\d{1,3})?)$")] = "even"
    table: Annotated[str, Field(max_length=60_000)] = ""


class LimitsAsked(Body):
    """What a design may use; what is left out stays as usual."""

    gain_db: tuple[Decibels, Decibels] | None = None
    q: tuple[Quality, Quality] | None = None
    range_hz: tuple[Hertz, Hertz] | None = None
    total_boost_db: Annotated[float, Field(ge=0, le=40, allow_inf_nan=False)] | None = None
    forced: bool = False

    def limits(self) -> EqualizerLimits:
        """As the design takes them; InputError where they are upside down."""
        return limits_of(**self.model_dump())


class AimAsked(Body):
    """Where the loudspeaker is turned against the listener."""

    orbit: Literal["horizontal", "vertical"]
    angle_deg: Annotated[float, Field(ge=-90, le=90, allow_inf_nan=False)]


class WeighAsked(Body):
    """An equalizer in hand. preamp_db : None for as low as the largest boost asks for."""

    bands: Annotated[list[BandAsked], Field(max_length=MOST_BANDS)]
    preamp_db: Annotated[float, Field(ge=-60, le=20, allow_inf_nan=False)] | None = None
    goal: GoalAsked = GoalAsked()
    limits: LimitsAsked = LimitsAsked()
    aim: AimAsked | None = None


class DesignAsked(Body):
    """bands : how many; None for the advised ones."""

    bands: Annotated[int, Field(ge=1, le=MOST_BANDS)] | None = None
    goal: GoalAsked = GoalAsked()
    limits: LimitsAsked = LimitsAsked()


@router.get("/mend", response_class=HTMLResponse, include_in_schema=False)
def mend_none(request: Request) -> HTMLResponse:
    """No loudspeaker in hand."""
    return page(request, "mend.html.jinja", place="mend", title="Mend", facts=None, why="")


@router.get("/mend/{loudspeaker_id}", response_class=HTMLResponse, include_in_schema=False)
def mend_page(request: Request, entry: Entry, bench: BenchState) -> HTMLResponse:
    """The equalizer of one loudspeaker."""
    shown: dict[str, Any] = {"facts": None, "why": "", "chart": "", "files": FILES, "most": MOST_BANDS, "trials": []}
    if not bench.has_session(entry.id):
        shown["why"] = "nothing of it has been measured yet"
    else:
        desk = _desk(bench, entry.id)
        try:
            made, _, verdict, problem = desk.design(None)
            chart = desk_chart(desk.result.reading.curves, problem.goal)
        except InputError as error:
            shown["why"] = f"{error.what}: {error.expected}" if error.expected else error.what
            chart = None
        if chart is not None:
            findings = desk.findings
            trials = own_trials(findings, desk.result.session.loudspeaker.title, bench.archive_folder)
            shown["trials"] = [trial_words(one) for one in trials if one.about_equalizer]
            shown["verdict"] = _verdict(verdict)
            shown["chart"] = safe(figure_html(chart, CHART_PX, narrow_px=None))
            shown["facts"] = {
                "id": entry.id,
                "rate_hz": DEFAULT_RATE_HZ,
                "goal_curve": problem.goal.curve,
                "goal_level": live_levels(problem),
                "advised": None if made is None else _plain(made),
                "kinds": {kind: table_of("bench", "places")["bands"][kind] for kind in BAND_KINDS},
                "most_bands": MOST_BANDS,
                "findings": [
                    {
                        **record(one, "key center_hz low_hz high_hz q", mendable="is_equalizable"),
                        "size_db": one.told.size_db,
                        "size": true_minus(size_words(one)),
                        "title": true_minus(one.title),
                        "where": KINDS[one.kind],
                        "aim": None if one.aim is None else _answer(one.aim),
                        "heard": [trial.beside for trial in trials if trial.finding == one.key],
                    }
                    for one in findings
                ],
            }
    return page(request, "mend.html.jinja", place="mend", title="Mend", loudspeaker=entry, **shown)


@router.post("/api/mend/{loudspeaker_id}/weigh", tags=["mend"])
def mend_weigh(loudspeaker_id: Id, body: WeighAsked, bench: BenchState) -> dict[str, Any]:
    """Figures before and behind the equalizer in hand, its cost, and warnings."""
    desk = _desk(bench, loudspeaker_id)
    equalizer = _equalizer(body.bands, body.preamp_db)
    aim = None if body.aim is None else (body.aim.orbit, body.aim.angle_deg)
    at, now = desk.weigh(
        equalizer, goal=body.goal.words, table_text=body.goal.table, limits=body.limits.limits(), aim=aim
    )
    rating = now.figures.get("preference_rating")
    return {
        "preamp_db": equalizer.preamp_db,
        "boost_db": now.headroom.boost_db,
        "headroom": true_minus(now.headroom.sentence),
        "rows": [list(row) for row in desk_rows(at, now)],
        "left_db": None if now.left is None else now.left.deviation_after_db,
        "rating": None if rating is None else rating.value,
        "spread": "" if now.spread is None else true_minus(now.spread.sentence),
        "warnings": [true_minus(words) for words in now.warnings],
    }


@router.post("/api/mend/{loudspeaker_id}/design", tags=["mend"])
def mend_design(loudspeaker_id: Id, body: DesignAsked, bench: BenchState) -> dict[str, Any]:
    """Bands for a goal, the verdict on the advised ones, and what each further one takes away."""
    desk = _desk(bench, loudspeaker_id)
    made, choice, verdict, problem = desk.design(
        body.bands, goal=body.goal.words, table_text=body.goal.table, limits=body.limits.limits()
    )
    return {
        "equalizer": None if made is None else _plain(made),
        "goal": problem.goal.sentence,
        "goal_curve": problem.goal.curve,
        "goal_level": live_levels(problem),
        "verdict": _verdict(verdict),
        "by_count": [record(step, "bands left_db taken_db for_units") for step in choice.steps],
    }


@router.get("/api/mend/{loudspeaker_id}/aims", tags=["mend"])
def mend_aims(
    loudspeaker_id: Id, bench: BenchState, bands: Annotated[int, Query(ge=0, le=MOST_BANDS)] = 0
) -> dict[str, Any]:
    """Where to point it: the curves and the unevenness of every aim, with an equalizer of `bands` for each."""
    desk = _desk(bench, loudspeaker_id)
    found = desk.aims(bands)
    return {"horizontal": _study(found.horizontal), "vertical": _study(found.vertical), "missing": dict(found.missing)}


@router.get("/api/mend/{loudspeaker_id}/files/{name}", tags=["mend"])
def mend_file(
    entry: Entry,
    name: Annotated[str, Path(max_length=60)],
    band: Annotated[list[Annotated[str, Query(max_length=80)]], Query(max_length=MOST_BANDS)] = [],  # noqa: B006
    preamp_db: Annotated[float, Query(ge=-60, le=20, allow_inf_nan=False)] | None = None,
) -> Response:
    """A file to set the equalizer from. band : kind, frequency in Hz, gain in dB and Q, between commas."""
    content = equalizer_file(_equalizer([_band(words) for words in band], preamp_db), name)
    kinds = {"txt": "text/plain; charset=utf-8", "csv": "text/csv; charset=utf-8", "json": "application/json"}
    plain = "".join(c if c.isascii() and c.isalnum() else "-" for c in entry.name.lower()).strip("-") or "loudspeaker"
    return Response(
        content,
        media_type=kinds.get(name.rsplit(".", 1)[-1], "audio/wav"),
        headers={"Content-Disposition": f'attachment; filename="{plain}-{name}"'},
    )


def _desk(bench: Bench, loudspeaker_id: int) -> EqualizerEditor:
    def made(result: ReadResult) -> EqualizerEditor:
        return EqualizerEditor(result, findings_of(result, bench.archive_folder))

    return bench.beside(loudspeaker_id, "mend", made)


def _equalizer(bands: list[BandAsked], preamp_db: float | None) -> Equalizer:
    return equalizer_of([(b.kind, b.frequency_hz, b.gain_db, b.q) for b in bands], preamp_db)


def _band(words: str) -> BandAsked:
    parts = words.split(",")
    try:
        kind, hz, gain, q = parts
        return BandAsked.model_validate({"kind": kind, "frequency_hz": hz, "gain_db": gain, "q": q})
    except ValueError:
        raise InputError.of("bench.no_band", words=words[:60]) from None


def _verdict(one: EqualizerVerdict) -> dict[str, Any]:
    return {
        "answer": one.answer,
        "headline": true_minus(one.headline),
        "sentences": [true_minus(words) for words in one.sentences],
        "bands": [role.finding for role in one.bands],
        "left": list(one.left),
    }


def _plain(made: Equalizer) -> dict[str, Any]:
    bands = [record(band, "kind frequency_hz gain_db q") for band in made.bands]
    return {"preamp_db": made.preamp_db, "bands": bands}


def _answer(said: AimAnswer) -> dict[str, Any]:
    """angle_deg : the aim to try, 0 for none."""
    words, sentence = aim_words(said.orbit, said.try_deg), true_minus(said.sentence)
    return {**record(said, "orbit", angle_deg="try_deg"), "words": words, "sentence": sentence}


def _study(one: AimStudy | None) -> dict[str, Any] | None:
    if one is None:
        return None
    hz = one.aims[0].direct.axis.hz
    return {
        **record(one, "best_deg both_sides best_mended_deg missing"),
        "frequency_hz": hz.tolist(),
        "sentence": true_minus(one.sentence),
        "aims": [
            {
                **record(a, "angle_deg roughness_db u_db roughness_mended_db notes"),
                "equalizer": None if a.with_equalizer is None else _plain(a.with_equalizer.equalizer.rounded()),
                "curves": {
                    curve.key: {
                        "values": [round(float(v), 3) for v in curve.values],
                        "u": [round(2 * float(u), 2) for u in curve.u_total],
                        "valid": "".join("1" if good else "0" for good in curve.valid),
                    }
                    for curve in (a.direct, a.window, a.early, a.in_room)
                    if curve is not None
                },
            }
            for a in one.aims
        ],
    }
