"""Mend a loudspeaker: an equalizer for a goal or by hand, the study of its aim, and the files equalizers load."""

import math
import re
import tempfile
import threading
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

import numpy as np

from earwitness.app.read import ReadResult, alike
from earwitness.errors import InputError, cannot_write, choice
from earwitness.exhibits.advice import AimAdvised, MendAdvice
from earwitness.figures.angles import filled
from earwitness.figures.read import levels_of
from earwitness.figures.windows import DirectionalLevels
from earwitness.formats.audio import write_audio
from earwitness.formats.goal_table import goal_points, read_goal_table
from earwitness.insight.findings import Finding
from earwitness.insight.findings.narrow import without_gate
from earwitness.insight.findings.origins import on_axis_excess_phase
from earwitness.insight.mend.aim import Aim, AimStudy, aim_study
from earwitness.insight.mend.design import Design, design, measured, settable
from earwitness.insight.mend.equalizer import (
    KINDS,
    MOST_BANDS,
    Band,
    BandKind,
    Equalizer,
    Fir,
    Phase,
    coefficients_csv,
    coefficients_json,
    fir,
    response_table,
    table_text,
)
from earwitness.insight.mend.live import EqualizerBasis, EqualizerEvaluation, boost_warnings, prepared, weighed
from earwitness.insight.mend.objective import Problem, problem_of
from earwitness.insight.mend.report import headroom, mended
from earwitness.insight.mend.stop import Choice, EqualizerVerdict, choose, verdict_of
from earwitness.insight.mend.task import DEFAULT_LIMITS, EVEN, EqualizerLimits, Goal, straight_slope, table
from earwitness.insight.mend.views import views_of
from earwitness.insight.mend.yardsticks import units_of
from earwitness.quantities import Orbit, log_axis

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
    result: ReadResult, goal: Goal, limits: EqualizerLimits = DEFAULT_LIMITS, findings: Sequence[Finding] = ()
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


def measured_levels(result: ReadResult, findings: Sequence[Finding] = ()) -> DirectionalLevels:
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
) -> EqualizerLimits:
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
    return EqualizerLimits(gain, boost, quality, shelves, range_hz, forced=forced)


def mend_loudspeaker(
    result: ReadResult,
    findings: Sequence[Finding] = (),
    *,
    goal: str = "even",
    bands: int | None = None,
    limits: EqualizerLimits = DEFAULT_LIMITS,
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
    return MendAdvice(
        problem.goal, found, after, verdict_of(problem, choice, findings), steps=choice.steps, recommended=bands is None
    )


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

    def studied(orbit: Orbit, count: int) -> AimStudy | None:
        try:
            return aim_study(levels, orbit=orbit, bands=count, symmetric=symmetric)
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


FILES = (
    *("equalizer.txt", "coefficients.json", "coefficients.csv", "response.csv"),
    *(impulse_name(phase, rate) for rate in FIR_RATES_HZ for phase in PHASES),
)
K = TypeVar("K")
V = TypeVar("V")


def equalizer_of(bands: Sequence[tuple[str, float, float, float]], preamp_db: float | None = None) -> Equalizer:
    """An equalizer of (kind, frequency [Hz], gain [dB], Q); preamp_db None: as low as the largest boost asks for, in
    steps of 0.1 dB. InputError for a band that cannot be, or one too high for 48 kHz."""
    kinds: dict[str, BandKind] = {kind: kind for kind in KINDS}
    made = Equalizer(tuple(Band(kinds[choice("the kind of band", kind, KINDS)], *rest) for kind, *rest in bands))
    boost = headroom(made).boost_db
    if preamp_db is None:
        preamp_db = -math.ceil(10 * boost - 1e-6) / 10 + 0.0
    return replace(made, preamp_db=preamp_db)


def goal_of(words: str, table_text: str = "") -> Goal:
    """The goal named by `words`, see `goal_from`; "table" takes the points of `table_text`. Raises as it does."""
    if words != "table":
        return goal_from(words)
    return table(goal_points(table_text, where="the table"))


def mend_by_hand(
    result: ReadResult,
    equalizer: Equalizer,
    findings: Sequence[Finding] = (),
    *,
    goal: str = "even",
    limits: EqualizerLimits = DEFAULT_LIMITS,
) -> MendAdvice:
    """What an equalizer set by hand does, told as a designed one is, with warnings of boosts that mend nothing.

    Raises InputError for a goal that cannot be, or data that hold no curve to equalize.
    """
    problem = problem_for(result, goal_from(goal), limits, findings)
    reading = result.reading
    levels = measured_levels(result, findings)
    after = mended(levels, equalizer, before=reading.curves, figures=reading.figures, problem=problem)
    after = replace(after, warnings=(*boost_warnings(problem, equalizer), *after.warnings))
    choice = choose(problem)
    return MendAdvice(
        problem.goal,
        measured(problem, equalizer),
        after,
        verdict_of(problem, choice, findings),
        choice.steps,
        recommended=False,
    )


class EqualizerEditor:
    """A loudspeaker on the desk: what is asked again and again is worked out once. Threads may share it."""

    def __init__(self, result: ReadResult, findings: Sequence[Finding] = ()) -> None:
        self.result = result
        self.findings = tuple(findings)
        self._lock = threading.Lock()
        # Aims take a second, in which bands can be moved.
        self._aim_lock = threading.Lock()
        self._problems: dict[tuple[str, str, EqualizerLimits], Problem] = {}
        self._prepared: dict[tuple[object, ...], EqualizerBasis] = {}
        self._aims: dict[int, AimAdvised] = {}

    def problem(self, goal: str, table_text: str, limits: EqualizerLimits) -> Problem:
        """The problem of a goal, see `goal_of`; raises InputError as that and `app.mend.problem_for` do."""
        key = (goal, table_text if goal == "table" else "", limits)
        with self._lock:
            if key not in self._problems:
                made = problem_for(self.result, goal_of(goal, table_text), limits, self.findings)
                _keep(self._problems, key, made)
            return self._problems[key]

    def weigh(
        self,
        equalizer: Equalizer,
        *,
        goal: str = "even",
        table_text: str = "",
        limits: EqualizerLimits = DEFAULT_LIMITS,
        aim: tuple[str, float] | None = None,
    ) -> tuple[EqualizerBasis, EqualizerEvaluation]:
        """Before and behind the equalizer. aim : orbit and angle [deg]; then the curves are those of that aim, and
        nothing is said of the goal, which is one on axis."""
        key: tuple[object, ...]
        if aim is not None and aim[1] != 0.0:
            key = aim
            found = self._aim(*aim)
            known = {
                "on_axis": found.direct,
                "listening_window": found.window,
                "early_reflections": found.early,
                "in_room": found.in_room,
                "sound_power": self.result.reading.curves.get("sound_power"),
            }
            curves = {name: curve for name, curve in known.items() if curve is not None}
            problem = None
        else:
            problem = self.problem(goal, table_text, limits)
            key, curves = (id(problem),), dict(self.result.reading.curves)
        with self._lock:
            at = self._prepared.get(key)
            if at is None or at.problem is not problem:
                at = prepared(curves, self.result.reading.figures, problem)
                _keep(self._prepared, key, at)
        return at, weighed(at, equalizer)

    def design(
        self, bands: int | None, *, goal: str = "even", table_text: str = "", limits: EqualizerLimits = DEFAULT_LIMITS
    ) -> tuple[Equalizer | None, Choice, EqualizerVerdict, Problem]:
        """As many bands as asked for, or the advised ones, and the verdict on the advised ones.

        None for the equalizer where it is to be left alone.
        """
        problem = self.problem(goal, table_text, limits)
        found, choice = chosen(problem, bands)
        made = None if found is None else found.equalizer
        return made, choice, verdict_of(problem, choice, self.findings), problem

    def aims(self, bands: int) -> AimAdvised:
        """Aims across and up, each with an equalizer of `bands` of its own (0: without)."""
        with self._aim_lock:
            if bands not in self._aims:
                _keep(self._aims, bands, study_aim(self.result, bands=bands))
            return self._aims[bands]

    def _aim(self, orbit: str, angle_deg: float) -> Aim:
        known = next(iter(self._aims.values()), None) or self.aims(0)
        study = known.horizontal if orbit == "horizontal" else known.vertical
        found = None if study is None else next((a for a in study.aims if abs(a.angle_deg - angle_deg) < 0.01), None)
        if found is None:
            raise InputError.of("app.aim_unknown", orbit=orbit, angle_deg=angle_deg)
        return found


def equalizer_file(equalizer: Equalizer, name: str) -> bytes:
    """One of FILES, as `mend --to` writes it. InputError for another name."""
    if name not in FILES:
        raise InputError(f"there is no file {name[:60]!r} of an equalizer", expected=", ".join(FILES))
    with tempfile.TemporaryDirectory() as folder:
        export_equalizer(equalizer, Path(folder), only=name)
        return (Path(folder) / name).read_bytes()


def live_levels(problem: Problem) -> tuple[list[float], list[float]]:
    """The target as it is drawn: frequencies [Hz] and levels [dB], at the goal curve's own level."""
    kept = problem.goal.there(problem.hz)
    return problem.hz[kept].tolist(), problem.target_db[kept].tolist()


def _keep(kept: dict[K, V], key: K, value: V, *, most: int = 12) -> None:
    while len(kept) >= most:
        kept.pop(next(iter(kept)))
    kept[key] = value
