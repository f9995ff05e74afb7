"""Exhibits: whether an equalizer pays, its bands, before and after, and how many bands pay."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from earwitness.exhibits.advice import MendAdvice
from earwitness.exhibits.chart import Caption, Chart, Panel, Table, Trace
from earwitness.exhibits.figures_table import SIGNED, figure_name
from earwitness.exhibits.findings import marked
from earwitness.exhibits.level_facts import joined, level_panel
from earwitness.exhibits.texts import table
from earwitness.exhibits.words import frequency_words, listed, number_words, sentence, true_minus
from earwitness.insight.findings import Finding
from earwitness.insight.mend.change import ROUGHNESS, FigureChange
from earwitness.insight.mend.equalizer import Band, Equalizer, gain_db
from earwitness.insight.mend.verdict import mends
from earwitness.quantities import Curve

_KINDS = {"peaking": "bell", "low_shelf": "low shelf", "high_shelf": "high shelf"}
_TERMS = {"peaking": "bell (peaking)", "low_shelf": "low shelf", "high_shelf": "high shelf"}


def band_words(band: Band) -> str:
    """ "bell of −2.1 dB at 240 Hz, Q 0.92"."""
    gain = number_words(band.gain_db, 1, sign=True)
    return f"{_KINDS[band.kind]} of {gain} dB at {frequency_words(band.frequency_hz)}, Q {band.q:.2f}"


def verdict_words(advice: MendAdvice) -> str:
    """The verdict in one paragraph, the headline first."""
    return " ".join(true_minus(words) for words in (advice.verdict.headline, *advice.verdict.sentences))


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
    curve = Curve.bare("equalizer_gain", "the equalizer", like.axis, gain)
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
    return table("eq-verdict", rows, note=verdict_words(advice))


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
