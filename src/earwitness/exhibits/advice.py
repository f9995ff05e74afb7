"""What a page may say beyond what was measured: findings, what was heard, how to mend it, what it needs around it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from earwitness.exhibits.chart import Chart, Mark, Panel, Table, table
from earwitness.exhibits.words import frequency_words, true_minus, value_words
from earwitness.insight.claims import ClaimVerdict
from earwitness.insight.findings import KINDS, Finding
from earwitness.insight.findings.finding import PLACES
from earwitness.insight.findings.sentences import signed_db
from earwitness.insight.for_whom import Said
from earwitness.insight.kinds import KindReading
from earwitness.insight.listening.matching import Matching
from earwitness.insight.listening.trials import Agreement, Reliability
from earwitness.insight.match.amplifier import AmplifierMatch
from earwitness.insight.match.in_room import AtSeats
from earwitness.insight.match.plan_room import Boundary, PlanRoom
from earwitness.insight.match.seats import AimAdvice, SeatAngle, SeatSpread
from earwitness.insight.match.subwoofer import SubwooferMatch
from earwitness.insight.match.window import BalanceWindow
from earwitness.insight.mend.aim import AimStudy
from earwitness.insight.mend.design import Design
from earwitness.insight.mend.report import Mended
from earwitness.insight.mend.stop import EqualizerVerdict, Step
from earwitness.insight.mend.task import Goal
from earwitness.quantities import Figure
from earwitness.session.notes import ListeningSheet

_OFF_AXIS = ("off_axis", "vertical")
_MARKED = ("balance", "evenness", "in_room")
_DIRECT = ("listening_window", "on_axis", "horizontal_window")
_AROUND = ("in_room", "early_reflections", "sound_power")


def marked(chart: Chart, findings: Sequence[Finding]) -> Chart:
    """The chart with findings as marks in its first panel, in place of marks of its own; others as they are.

    A finding stands on a curve that shows it: the direct sound first, or for what only other angles show the curve
    of what goes there; where the chart has no such curve it is left out.
    """
    if chart.key not in _MARKED or not findings:
        return chart
    panel = chart.panels[0]
    marks = tuple(mark for one in findings if (mark := _mark(panel, one)) is not None)
    return replace(chart, panels=(replace(panel, marks=marks), *chart.panels[1:])) if marks else chart


def _mark(panel: Panel, one: Finding) -> Mark | None:
    curves = {trace.curve.key: trace.curve for trace in panel.traces}
    order = (*_AROUND, *_DIRECT) if one.kind in _OFF_AXIS else (*_DIRECT, *_AROUND)
    key = next((key for key in order if key in curves and key in one.curves), None)
    if key is None:
        return None
    curve = curves[key]
    at = float(np.interp(np.log(one.center_hz), np.log(curve.axis.hz), curve.values))
    return Mark(one.key, one.center_hz, at, true_minus(one.title))


def findings_table(findings: Sequence[Finding]) -> Table | None:
    """All findings by their numbers; None without any."""
    if not findings:
        return None
    return table(
        "findings",
        tuple(
            (str(one.key), true_minus(one.title), size_words(one), _where(one), true_minus(one.sentence))
            for one in findings
        ),
    )


def size_words(one: Finding) -> str:
    """Signed size where it is largest, with its uncertainty, and Q where there is one."""
    told = one.told
    size = value_words(told.size_db, told.u_db, "dB", sign=True) if told.u_db > 0 else f"{told.size_db:+.0f} dB"
    size = true_minus(size)
    if one.q is None:
        return size
    if one.resonance is not None and one.resonance.least_q is not None:
        return f"{size}, Q at least\N{NO-BREAK SPACE}{one.resonance.least_q:.2g}"
    return f"{size}, Q\N{NO-BREAK SPACE}{one.q:.2g}"


def _where(one: Finding) -> str:
    """Kind, and the size in every curve."""
    if one.sizes and one.kind not in ("tilt", "band_limit"):
        sizes = (f"{PLACES[key].removeprefix('in the ')} {signed_db(size.size_db)}" for key, size in one.sizes.items())
        return f"{KINDS[one.kind]}: {', '.join(sizes)}"
    if one.kind == "band_limit":
        return f"{KINDS[one.kind]}, {frequency_words(one.center_hz)}"
    return KINDS[one.kind]


@dataclass(frozen=True, slots=True, eq=False)
class HeardSheet:
    """A sealed sheet held against the data. is_after_data : it was sealed when the data had been shown."""

    sheet: ListeningSheet
    sha256: str
    sealed_at: str
    opened_at: str | None
    is_after_data: bool
    matching: Matching


@dataclass(frozen=True, slots=True, eq=False)
class MendAdvice:
    """An equalizer for a goal.

    design, after : the advised one, or (recommended False) one asked for or set by hand; None to leave it alone
    verdict : always on the advised one; steps : 0, 1, ... bands
    """

    goal: Goal
    design: Design | None
    after: Mended | None
    verdict: EqualizerVerdict
    steps: tuple[Step, ...]
    recommended: bool


@dataclass(frozen=True, slots=True, eq=False)
class AimAdvised:
    """Aim studies of both orbits; missing : by orbit, why there is none."""

    horizontal: AimStudy | None
    vertical: AimStudy | None
    missing: Mapping[str, str]


@dataclass(frozen=True, slots=True, eq=False)
class SeatsAdvice:
    """Seats of a room plan. aims : by loudspeaker, the advice or why there is none."""

    angles: tuple[SeatAngle, ...]
    spreads: Mapping[str, SeatSpread]
    aims: Mapping[str, AimAdvice | str]
    levels: Mapping[tuple[str, str], Figure]
    headroom: Mapping[tuple[str, str], Figure]
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class MatchAdvice:
    """What a loudspeaker needs around it. absent : by part, why it is not there; in_room : figures and sentences;
    windows : of the balance through the crossover; near : with a wall or a desk near it, and what is said of each;
    plan_room : what the room of the plan does; at_seats : the prediction there against takes at its seats;
    kind : what its kind is read for."""

    claims: tuple[ClaimVerdict, ...]
    amplifier: AmplifierMatch | None
    subwoofer: SubwooferMatch | None
    seats: SeatsAdvice | None
    for_whom: tuple[Said, ...]
    absent: Mapping[str, str]
    in_room: tuple[Mapping[str, Figure], tuple[str, ...]] | None = None
    windows: tuple[BalanceWindow, ...] = ()
    near: tuple[tuple[Boundary, tuple[str, ...]], ...] = ()
    plan_room: PlanRoom | None = None
    at_seats: AtSeats | None = None
    kind: KindReading | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnTrial:
    """Trials that are over, as they stand beside the data.

    finding : number of the one whose threshold was sought, None for others; beside : a sentence on it; is_heard :
    whether the finding as it is lies above that threshold's interval, below it (False), or in it (None)
    about_equalizer : one of the versions was equalized
    """

    question: str
    versions: tuple[str, ...]
    sound: str
    listener: str
    begun_at: str
    sentence: str
    finding: int | None = None
    beside: str = ""
    is_heard: bool | None = None
    about_equalizer: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Advice:
    """All of it; a part that was not asked for, or that the data do not give, is None or empty."""

    findings: tuple[Finding, ...] = ()
    heard: tuple[HeardSheet, ...] = ()
    trials: tuple[OwnTrial, ...] = ()
    reliability: tuple[Reliability, ...] = ()
    agreement: Agreement | None = None
    mend: MendAdvice | None = None
    mend_absent: str = ""
    aim: AimAdvised | None = None
    match: MatchAdvice | None = None
