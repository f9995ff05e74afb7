"""Mend a loudspeaker: an equalizer for a goal, the study of its aim, and the files an equalizer is set from."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from earwitness.app.read import ReadResult
from earwitness.app.units import alike
from earwitness.errors import InputError, cannot_write
from earwitness.exhibits.advice import AimAdvised, MendAdvice
from earwitness.figures.angles import filled
from earwitness.figures.read import levels_of
from earwitness.figures.windows import Levels
from earwitness.formats.audio import write_audio
from earwitness.formats.goal_table import read_goal_table
from earwitness.insight.findings import Finding
from earwitness.insight.findings.evidence import on_axis_excess_phase
from earwitness.insight.findings.narrow import without_gate
from earwitness.insight.mend.aim import AimStudy, aim_study
from earwitness.insight.mend.design import Design, design, settable
from earwitness.insight.mend.equalizer import MOST_BANDS, Equalizer
from earwitness.insight.mend.export import (
    Fir,
    Phase,
    coefficients_csv,
    coefficients_json,
    fir,
    response_table,
    table_text,
)
from earwitness.insight.mend.goal import EVEN, Goal, straight_slope, table
from earwitness.insight.mend.limits import DEFAULT_LIMITS, Limits
from earwitness.insight.mend.objective import Problem, problem_of
from earwitness.insight.mend.report import mended
from earwitness.insight.mend.stop import Choice, choose
from earwitness.insight.mend.units import units_of
from earwitness.insight.mend.verdict import verdict_of
from earwitness.insight.mend.views import views_of
from earwitness.quantities.axis import log_axis

FIR_RATES_HZ = (44_100.0, 48_000.0, 96_000.0)
PHASES: tuple[Phase, Phase] = ("minimum", "linear")
_SLOPE = re.compile(r"slope=([+-]?\d+(\.\d+)?)$")


def goal_from(words: str) -> Goal:
    """The goal a user names: "even", "slope=-0.8" (of the predicted in-room response), or the path of a table of
    frequency and level.

    Raises InputError for other words, FormatError for a table that cannot be used.
    """
    if words == "even":
        return EVEN
    if found := _SLOPE.match(words):
        return straight_slope(float(found[1]))
    path = Path(words)
    if words.startswith("slope") or not path.is_file():
        raise InputError.of("app.goal_unknown", words=words[:80])
    return table(read_goal_table(path))


def problem_for(
    result: ReadResult, goal: Goal, limits: Limits = DEFAULT_LIMITS, findings: Sequence[Finding] = ()
) -> Problem:
    """What a goal asks of the bands of this loudspeaker. Raises InputError as `problem_of` does."""
    rows = [[one.reading.curves.get("on_axis") for one in sessions] for sessions in alike(result)]
    return problem_of(
        views_of(measured_levels(result, findings)),
        goal,
        limits=limits,
        excess_phase_rad=on_axis_excess_phase(result.measurement.response),
        findings=findings,
        units=units_of(result.reading.curves.get("on_axis"), rows),
    )


def measured_levels(result: ReadResult, findings: Sequence[Finding] = ()) -> Levels:
    """Levels in all directions, filled as the reading fills them, with what the gate hides of the findings put back:
    an equalizer set to what a short gate smeared would leave the resonance ringing."""
    levels = filled(levels_of(result.measurement.response), symmetric=result.session.loudspeaker.symmetric).levels
    return without_gate(levels, findings)


def limits_of(
    *,
    gain_db: tuple[float, float] | None = None,
    q: tuple[float, float] | None = None,
    range_hz: tuple[float, float] | None = None,
    total_boost_db: float | None = None,
    forced: bool = False,
) -> Limits:
    """Limits of a design; what is None stays as usual. Shelves keep a Q inside both limits.

    More boost of one band than usual needs no second option: the total's limit follows the larger. InputError for
    limits that are upside down or leave out 0 dB.
    """
    usual = DEFAULT_LIMITS
    gain, quality = gain_db or usual.gain_db, q or usual.q
    boost = total_boost_db if total_boost_db is not None else max(usual.total_boost_db, gain[1])
    if gain_db is None and total_boost_db is not None:
        gain = (gain[0], max(gain[1], total_boost_db))
    low, high = (min(max(one, quality[0]), quality[1]) for one in usual.shelf_q)
    shelves = (low, high) if low < high else quality
    return Limits(gain, boost, quality, shelves, range_hz, forced=forced)


def mend_loudspeaker(
    result: ReadResult,
    findings: Sequence[Finding] = (),
    *,
    goal: str = "even",
    bands: int | None = None,
    limits: Limits = DEFAULT_LIMITS,
) -> MendAdvice:
    """The verdict on an equalizer, and one of `bands` bands for a goal, or of as many as pay, in steps devices can be
    set to.

    findings : of the loudspeaker; none that an equalizer cannot mend is worked against. Raises InputError for a goal or
    count that cannot be, or data that hold no curve to equalize.
    """
    problem = problem_for(result, goal_from(goal), limits, findings)
    found, choice = chosen(problem, bands)
    after = None
    if found is not None:
        levels, reading = measured_levels(result, findings), result.reading
        after = mended(levels, found.equalizer, before=reading.curves, figures=reading.figures, problem=problem)
    return MendAdvice(problem.goal, found, after, verdict_of(problem, choice, findings), choice.steps, bands is None)


def chosen(problem: Problem, bands: int | None) -> tuple[Design | None, Choice]:
    """The design asked for (bands None: the advised one), and the choice behind the advice.

    InputError unless 1 to 20 bands.
    """
    if bands is not None and not 1 <= bands <= MOST_BANDS:
        raise InputError(f"an equalizer of {bands} bands", expected=f"1 to {MOST_BANDS} bands")
    choice = choose(problem)
    if bands is None:
        return choice.design, choice
    found = settable(problem, design(problem, bands).equalizer)
    return (found if found.equalizer.bands else None), choice


def study_aim(result: ReadResult, *, bands: int = 3) -> AimAdvised:
    """Aims from 0 to 40 degrees and above and below, each with and without an equalizer of `bands` designed for it."""
    levels = levels_of(result.measurement.response)
    symmetric = result.session.loudspeaker.symmetric
    missing: dict[str, str] = {}

    def studied(orbit: str, count: int) -> AimStudy | None:
        try:
            if orbit == "horizontal":
                return aim_study(levels, orbit="horizontal", bands=count, symmetric=symmetric)
            return aim_study(levels, orbit="vertical", bands=count, symmetric=symmetric)
        except InputError as error:
            missing[orbit] = f"{error.what}: {error.expected}" if error.expected else error.what
            return None

    across, up = studied("horizontal", bands), studied("vertical", 0)
    return AimAdvised(across, up, missing)


@dataclass(frozen=True, slots=True)
class Exported:
    """One file an equalizer is set from, and what it holds."""

    path: Path
    words: str


def export_equalizer(equalizer: Equalizer, folder: Path, *, only: str | None = None) -> tuple[Exported, ...]:
    """Write table, coefficients, response and impulse responses into `folder`, which is made if it is not there.

    only : the name of one file, to leave out the others.

    Impulse responses are float WAV files that hold the preamp; files of the same names are written anew. OutputError
    where the folder cannot be written.
    """
    hz = log_axis(20.0, 20_000.0, 12).hz
    texts = {
        "equalizer.txt": (table_text(equalizer), "the bands as a table"),
        "coefficients.json": (coefficients_json(equalizer), "biquad coefficients by sample rate (JSON)"),
        "coefficients.csv": (coefficients_csv(equalizer), "biquad coefficients by sample rate (CSV)"),
        "response.csv": (response_table(equalizer, np.asarray(hz)), "what the equalizer does, to check a device by"),
    }
    done: list[Exported] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, (text, words) in texts.items():
            if only not in (None, name):
                continue
            (folder / name).write_text(text, encoding="utf-8", newline="\n")
            done.append(Exported(folder / name, words))
    except (OSError, ValueError) as error:
        raise cannot_write("the equalizer", folder, error) from None
    for rate in FIR_RATES_HZ:
        for phase in PHASES:
            if only in (None, impulse_name(phase, rate)):
                done.append(_impulse(fir(equalizer, sample_rate_hz=rate, phase=phase), folder))
    return tuple(done)


def impulse_name(phase: str, sample_rate_hz: float) -> str:
    """Name of the file of an impulse response."""
    return f"impulse-{phase}-{sample_rate_hz:.0f}.wav"


def _impulse(one: Fir, folder: Path) -> Exported:
    path = folder / impulse_name(one.phase, one.sample_rate_hz)
    write_audio(path, one.taps, round(one.sample_rate_hz), subtype="FLOAT")
    late = f", {one.delay_samples} samples late" if one.delay_samples else ""
    return Exported(
        path, f"impulse response, {one.phase} phase, {one.taps.size} taps{late}, within {one.error_db:.2f} dB"
    )
