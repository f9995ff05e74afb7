"""An equalizer set by hand: what it does, under which aim, against which goal; and the files it is set from.

The bench asks again and again while a band is dragged; `mend --band` asks once.
"""

import math
import tempfile
import threading
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from earwitness.app.mend import (
    FIR_RATES_HZ,
    PHASES,
    chosen,
    export_equalizer,
    goal_from,
    impulse_name,
    measured_levels,
    problem_for,
    study_aim,
)
from earwitness.app.read import ReadResult
from earwitness.errors import InputError, choice
from earwitness.exhibits.advice import AimAdvised, MendAdvice
from earwitness.formats.goal_table import goal_points
from earwitness.insight.findings import Finding
from earwitness.insight.mend.aim import Aim
from earwitness.insight.mend.design import measured
from earwitness.insight.mend.equalizer import KINDS, Band, BandKind, Equalizer
from earwitness.insight.mend.goal import Goal, table
from earwitness.insight.mend.limits import DEFAULT_LIMITS, Limits
from earwitness.insight.mend.live import Prepared, Weighed, boost_warnings, prepared, weighed
from earwitness.insight.mend.objective import Problem
from earwitness.insight.mend.report import headroom, mended
from earwitness.insight.mend.stop import Choice, choose
from earwitness.insight.mend.verdict import Verdict, verdict_of

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
    limits: Limits = DEFAULT_LIMITS,
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


class MendDesk:
    """A loudspeaker on the desk: what is asked again and again is worked out once. Threads may share it."""

    def __init__(self, result: ReadResult, findings: Sequence[Finding] = ()) -> None:
        self.result = result
        self.findings = tuple(findings)
        self._lock = threading.Lock()
        # Aims take a second, in which bands can be moved.
        self._aim_lock = threading.Lock()
        self._problems: dict[tuple[str, str, Limits], Problem] = {}
        self._prepared: dict[tuple[object, ...], Prepared] = {}
        self._aims: dict[int, AimAdvised] = {}

    def problem(self, goal: str, table_text: str, limits: Limits) -> Problem:
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
        limits: Limits = DEFAULT_LIMITS,
        aim: tuple[str, float] | None = None,
    ) -> tuple[Prepared, Weighed]:
        """Before and behind the equalizer. aim : orbit and angle [deg]; then the curves are those of that aim, and
        nothing is said of the goal, which is one on axis."""
        key: tuple[object, ...]
        if aim is not None and aim[1] != 0.0:
            key = aim
            found = self._aim(*aim)
            curves = {"on_axis": found.direct, "listening_window": found.window}
            if found.early is not None:
                curves["early_reflections"] = found.early
            if found.in_room is not None:
                curves["in_room"] = found.in_room
            if "sound_power" in self.result.reading.curves:
                curves["sound_power"] = self.result.reading.curves["sound_power"]
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
        self, bands: int | None, *, goal: str = "even", table_text: str = "", limits: Limits = DEFAULT_LIMITS
    ) -> tuple[Equalizer | None, Choice, Verdict, Problem]:
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
