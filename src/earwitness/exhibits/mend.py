"""Exhibits of mending: whether an equalizer pays and what it does, the equalizer in hand, and where to point."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from earwitness.exhibits.advice import AimAdvised, MendAdvice, SeatsAdvice, marked
from earwitness.exhibits.chart import Caption, Chart, Panel, Role, Table, Trace, chart, table
from earwitness.exhibits.figures_table import SIGNED, figure_name
from earwitness.exhibits.level_facts import joined, level_panel, level_span
from earwitness.exhibits.words import figure_words, frequency_words, listed, number_words, sentence, true_minus
from earwitness.files.data import worded
from earwitness.insight.findings import Finding
from earwitness.insight.mend.aim import Aim, AimStudy, aim_words
from earwitness.insight.mend.equalizer import Band, Equalizer, gain_db
from earwitness.insight.mend.live import EqualizerBasis, EqualizerEvaluation
from earwitness.insight.mend.report import ROUGHNESS, FigureChange
from earwitness.insight.mend.stop import mends
from earwitness.insight.mend.task import Goal
from earwitness.quantities import Curve

_KINDS = {"peaking": "bell", "low_shelf": "low shelf", "high_shelf": "high shelf"}
_TERMS = {"peaking": "bell (peaking)", "low_shelf": "low shelf", "high_shelf": "high shelf"}


def band_words(band: Band) -> str:
    """ "bell of −2.1 dB at 240 Hz, Q 0.92"."""
    gain = number_words(band.gain_db, 1, sign=True)
    return f"{_KINDS[band.kind]} of {gain} dB at {frequency_words(band.frequency_hz)}, Q {band.q:.2f}"


def mend_chart(advice: MendAdvice, findings: Sequence[Finding]) -> Chart | None:
    """Direct sound and in-room prediction before and after, with the equalizer's own response beneath."""
    design, after = advice.design, advice.after
    if design is None or after is None:
        return None
    keys = [key for key in ("on_axis", "in_room") if key in after.before]
    panels = [_before_after(after.before[one], after.after[one]) for one in keys]
    panels.append(_gain_panel(design.equalizer, after.before[keys[0]]))
    mended = [one for one in findings if any(mends(band, one) for band in design.equalizer.bands)]
    chart = Chart(
        key="balance",
        title="Before and after the equalizer",
        subtitle=f"{len(design.equalizer.bands)} band{'s' if len(design.equalizer.bands) != 1 else ''} for "
        f"{advice.goal.sentence}",
        caption=Caption(advice.verdict.headline, _reading(advice)),
        panels=tuple(panels),
    )
    chart = marked(chart, mended)
    return replace(chart, key="mended")


def _before_after(before: Curve, after: Curve) -> Panel:
    name = before.name
    traces = (
        Trace(before, "before", "before"),
        Trace(after.renamed(f"{after.key}_mended", f"{after.name} after equalizing"), "mended", "after", True),
    )
    return level_panel(traces, label=f"{name[0].upper()}{name[1:]}")


def _gain_panel(equalizer: Equalizer, like: Curve) -> Panel:
    gain = gain_db(equalizer, like.axis.hz)
    curve = Curve.of("equalizer_gain", "the equalizer", like.axis, gain)
    low = min(-5.0, 5.0 * np.floor(float(gain.min()) / 5.0))
    high = max(5.0, 5.0 * np.ceil(float(gain.max()) / 5.0))
    return Panel("Equalizer", "dB", float(low), float(high), 5.0, traces=(Trace(curve, "mended", "equalizer"),))


def _reading(advice: MendAdvice) -> str:
    after = advice.after
    warned = "" if after is None else " ".join(sentence(words) for words in after.warnings)
    spread = "" if after is None or after.spread is None else sentence(after.spread.sentence)
    told = "" if not advice.recommended else " ".join(true_minus(words) for words in advice.verdict.sentences)
    return joined(
        told,
        "An equalizer changes all angles alike: only what they share can be mended.",
        spread,
        warned,
        "Levels are drawn without the equalizer's preamplification.",
    )


def verdict_table(advice: MendAdvice) -> Table:
    """The verdict, for every way of showing it, whether or not bands are set."""
    verdict = advice.verdict
    low = f", at least {verdict.gain_low_db:.2f} dB for nine units of ten" if verdict.gain_low_db >= 0.005 else ""
    rows = [
        ("Answer", {"leave_alone": "leave it alone", "partly": "pays in part", "pays": "pays"}[verdict.answer]),
        ("Takes EQ", f"{verdict.takes_word}: {100 * verdict.takes:.0f} % of the unevenness at best"),
        ("Would take away" if verdict.answer == "leave_alone" else "Takes away", f"{verdict.gain_db:.2f} dB rms{low}"),
        ("Headroom", f"{verdict.headroom_db:.1f} dB" if verdict.headroom_db >= 0.05 else "none lost"),
    ]
    note = " ".join(true_minus(words) for words in (verdict.headline, *verdict.sentences))
    return table("eq-verdict", rows, note=note)


def bands_table(advice: MendAdvice, findings: Sequence[Finding]) -> Table | None:
    """The bands as they are set, and the finding that each mends."""
    if advice.design is None:
        return None
    equalizer = advice.design.equalizer
    rows = []
    for number, band in enumerate(equalizer.bands, 1):
        met = tuple(str(one.key) for one in findings if one.is_equalizable and mends(band, one))
        why = f"finding {listed(met)}" if met else "the broad balance"
        frequency = f"{band.frequency_hz:.1f}" if band.frequency_hz < 100 else f"{band.frequency_hz:.0f}"
        gain = number_words(band.gain_db, 1, sign=True)
        rows.append((str(number), _TERMS[band.kind], f"{frequency} Hz", f"{gain} dB", f"{band.q:.2f}", why))
    return table("bands", rows, preamp=number_words(equalizer.preamp_db, 1, sign=True))


def steps_table(advice: MendAdvice) -> Table:
    """What is left of the wanted correction with each further band."""
    rows = []
    for step in advice.steps:
        count = "none" if not step.bands else str(step.bands)
        taken = f"{step.taken_db:.2f} dB" if step.bands else ""
        units = f"{100 * step.for_units:.0f} %" if step.bands else ""
        rows.append((count, f"{step.left_db:.2f} dB", taken, units))
    return table("band-count", rows)


_MARKS = {"better": "● better", "worse": "◆ worse", "no certain change": "○ no certain change", "changed": "○ changed"}


def _change_name(key: str, curves: Mapping[str, Curve]) -> str:
    """A figure's name; "Unevenness, on axis" for a curve's."""
    if key.startswith(ROUGHNESS):
        return f"Unevenness, {curves[key.removeprefix(ROUGHNESS)].name}"
    return figure_name(key)


def change_rows(
    changes: Sequence[FigureChange], curves: Mapping[str, Curve]
) -> tuple[tuple[str, str, str, str, str], ...]:
    """(name, before, now, change with its 95 % uncertainty, word) of every figure. curves : by key, for their names."""
    return tuple(
        (_change_name(one.key, curves), *_numbers(one), f"{_shift(one)}", _MARKS[one.sense]) for one in changes
    )


def _digits(one: FigureChange) -> int:
    return 1 if one.key.startswith(("linearity", "preference")) else 2


def _numbers(one: FigureChange) -> tuple[str, str]:
    before, after = (number_words(v, _digits(one), sign=one.key in SIGNED) for v in (one.before, one.after))
    return before, after


def _shift(one: FigureChange) -> str:
    digits = _digits(one)
    unit = f" {one.unit}" if one.unit else ""
    words = number_words(one.change, digits, sign=True)
    if one.u == 0.0:
        return f"{words}{unit}"
    most = number_words(2 * one.u, digits)
    # An uncertainty is never nothing: it is less than what the last digit shows.
    return f"{words} ± {most if float(most) else f'less than {0.5 / 10**digits:g}'}{unit}"


def gains_table(advice: MendAdvice) -> Table | None:
    """Figures before and after, the change with its uncertainty, and whether it is for the better."""
    after = advice.after
    if after is None:
        return None
    return table("before-after", change_rows(after.changes, after.before))


_COMPARED_DEG = 20.0


def aim_chart(advised: AimAdvised) -> Chart | None:
    """Direct sound and in-room prediction on axis and at the best aim, or at 20 degrees where none is better."""
    study = advised.horizontal
    if study is None:
        return None
    ahead = _at(study, 0.0)
    other = _at(study, study.best_deg or _COMPARED_DEG)
    if ahead is None or other is None:
        return None
    words = aim_words(study.aims[0].orbit, other.angle_deg, both_sides=study.both_sides)
    panels = [_panel("Direct sound", ahead, other, words, "direct")]
    if ahead.in_room is not None and other.in_room is not None:
        panels.append(_panel("Predicted in-room response", ahead, other, words, "in room"))
    return chart("aim", panels, finding=study.sentence, reading=_aim_reading(advised), angle=words)


def _panel(label: str, ahead: Aim, other: Aim, words: str, role: Role) -> Panel:
    pairs = ((one.direct, one.in_room) for one in (ahead, other))
    first, second = (pair[0 if role == "direct" else 1] for pair in pairs)
    assert first is not None
    assert second is not None
    traces = (
        Trace(first.renamed(f"{first.key}_ahead", first.name), "before", "on axis"),
        Trace(second.renamed(f"{second.key}_turned", second.name), role, words.replace(" the axis", "", 1), True),
    )
    return level_panel(traces, label=label)


def _at(study: AimStudy, angle_deg: float) -> Aim | None:
    return next((one for one in study.aims if one.angle_deg == angle_deg), None)


def _aim_reading(advised: AimAdvised) -> str:
    up = advised.vertical
    above = f"Tilt: {up.sentence}" if up is not None else _missing(advised, "vertical")
    return joined(above, worded("exhibits.aim_means_listener_sits"))


def _missing(advised: AimAdvised, orbit: str) -> str:
    return sentence(f"the {orbit} aim cannot be studied: {advised.missing[orbit]}") if orbit in advised.missing else ""


def aim_table(study: AimStudy, *, key: str = "aims", place: str = "across") -> Table:
    """Unevenness of every aim, as it is and with an equalizer of its own."""
    has_own = any(one.roughness_mended_db is not None for one in study.aims)
    rows = []
    for one in study.aims:
        own = "not designed" if one.roughness_mended_db is None else f"{one.roughness_mended_db:.2f} dB"
        spread = f"{one.roughness_db:.2f} ± {2 * one.u_db:.2f} dB"
        notes = sentence("; ".join(one.notes)) or "As measured."
        rows.append((f"{number_words(one.angle_deg, 0)}°", spread, *((own,) if has_own else ()), notes))
    note = " ".join(sentence(words) for words in study.missing)
    return Table(
        key=key,
        title=f"Aim by aim, {place}",
        columns=("Aim", "Unevenness, rms", *(("With its own equalizer",) if has_own else ()), "Data"),
        align=("right", "right", *(("right",) if has_own else ()), "left"),
        rows=tuple(rows),
        note=joined(study.sentence, note),
    )


LIVE = (
    ("sound_power", "all directions", "sound power"),
    ("early_reflections", "reflected", "early reflections"),
    ("in_room", "in room", "in room"),
    ("listening_window", "window", "listening window"),
    ("on_axis", "direct", "on axis"),
)
LOWEST_GAIN_DB, HIGHEST_GAIN_DB = -15.0, 10.0


def desk_chart(curves: Mapping[str, Curve], goal: Goal) -> Chart | None:
    """The five curves of the balance, the goal's also as it was, and an equalizer of 0 dB; None without the goal's."""
    if goal.curve not in curves:
        return None
    there = [(curves[key], role, label) for key, role, label in LIVE if key in curves]
    before = curves[goal.curve].renamed("goal_before", f"{curves[goal.curve].name}, before")
    low, high = level_span(tuple(curve for curve, _, _ in there), span_db=35.0)
    traces = (
        Trace(before, "before", "before"),
        *(Trace(curve, role, label) for curve, role, label in there),  # type: ignore[arg-type]
    )
    like = curves[goal.curve]
    flat = Curve.of("equalizer_gain", "the equalizer", like.axis, np.zeros(len(like.axis)))
    return chart(
        "desk",
        (
            Panel("Level", like.reference or "dB", low, high, 5.0, traces=traces),
            Panel(
                "Equalizer", "dB", LOWEST_GAIN_DB, HIGHEST_GAIN_DB, 5.0, traces=(Trace(flat, "mended", "equalizer"),)
            ),
        ),
    )


def desk_rows(at: EqualizerBasis, now: EqualizerEvaluation) -> tuple[tuple[str, str, str, str, str], ...]:
    """Figures before and now, the change with its 95 % uncertainty, and whether it is for the better, in words; the
    distance from the target first."""
    rows = change_rows(now.changes, at.before)
    if now.left is None:
        return rows
    before, after = now.left.deviation_before_db, now.left.deviation_after_db
    change = f"{number_words(after - before, 2, sign=True)} dB"
    first = ("Away from the target, rms", f"{number_words(before, 2)} dB", f"{number_words(after, 2)} dB", change, "")
    return (first, *rows)


def seat_chart(seats: SeatsAdvice, loudspeaker: str) -> Chart | None:
    """Direct sound at every seat against the mean of all, of one loudspeaker of a plan; None where it has none."""
    spread = seats.spreads.get(loudspeaker)
    if spread is None or not spread.levels:
        return None
    roles = ("first", "second", "third", "fourth")
    traces = tuple(
        Trace(curve, roles[place] if place < len(roles) else "plain", name)  # type: ignore[arg-type]
        for place, (name, curve) in enumerate(list(spread.levels.items())[:8])
    )
    values = np.concatenate([t.curve.values[t.curve.valid & (t.curve.axis.hz >= 200.0)] for t in traces])
    most = 5.0 * max(1.0, float(np.ceil(np.abs(values).max() / 5.0))) if values.size else 5.0
    most = min(most, 15.0)
    told = spread.figures["seat_spread"]
    left = len(spread.levels) - len(traces)
    return chart(
        "seat-curves",
        (Panel("Level", "dB against the mean", -most, most, 5.0, traces=traces),),
        finding=f"From seat to seat the direct sound differs by {figure_words(told)}.",
        low_hz=200.0,
        reading=joined(
            f"{left} more seats are not drawn." if left > 0 else "",
            "A seat outside the measured directions has no curve." if spread.left_out else "",
        ),
        loudspeaker=loudspeaker,
    )
