"""Exhibits: before and after an equalizer, its bands, what each further band buys, and what it costs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from earwitness.exhibits.advice import MendAdvice
from earwitness.exhibits.chart import Caption, Chart, Panel, Table, Trace
from earwitness.exhibits.figures_table import SIGNED, figure_name
from earwitness.exhibits.findings import marked
from earwitness.exhibits.level_facts import PALE, joined, level_span
from earwitness.exhibits.words import figure_words, frequency_words, listed, number_words, sentence
from earwitness.insight.findings import Finding
from earwitness.insight.mend.equalizer import Band, Equalizer, gain_db
from earwitness.quantities import Curve

_KINDS = {"peaking": "bell", "low_shelf": "low shelf", "high_shelf": "high shelf"}
_TERMS = {"peaking": "bell (peaking)", "low_shelf": "low shelf", "high_shelf": "high shelf"}


def band_words(band: Band) -> str:
    """ "bell of −2.1 dB at 240 Hz, Q 0.92"."""
    gain = number_words(band.gain_db, 1, sign=True)
    return f"{_KINDS[band.kind]} of {gain} dB at {frequency_words(band.frequency_hz)}, Q {band.q:.2f}"


def mends(band: Band, finding: Finding) -> bool:
    """Whether a band works against a finding: its center inside, its gain of the other sign.

    Never against a tilt or an end of the range: a bell somewhere in their wide spans mends neither.
    """
    against = band.gain_db * finding.size_db < 0 and finding.kind not in ("tilt", "band_limit")
    return against and band.kind == "peaking" and finding.low_hz <= band.frequency_hz <= finding.high_hz


def mend_chart(advice: MendAdvice, findings: Sequence[Finding]) -> Chart | None:
    """Direct sound and in-room prediction before and after, with the equalizer's own response beneath."""
    design, after = advice.design, advice.after
    if design is None or after is None:
        return None
    key = advice.goal.curve if advice.goal.curve in after.before else "on_axis"
    keys = [key] + [other for other in ("listening_window", "in_room") if other in after.before and other != key]
    panels = [_before_after(after.before[one], after.after[one]) for one in keys[:2]]
    panels.append(_gain_panel(design.equalizer, after.before[key]))
    mended = [one for one in findings if any(mends(band, one) for band in design.equalizer.bands)]
    chart = Chart(
        key="balance",
        title="Before and after the equalizer",
        subtitle=f"{len(design.equalizer.bands)} band{'s' if len(design.equalizer.bands) != 1 else ''} for "
        f"{advice.goal.sentence}",
        caption=Caption(_finding(advice, mended), _reading(advice)),
        panels=tuple(panels),
    )
    chart = marked(chart, mended)
    return Chart("mended", chart.title, chart.subtitle, chart.caption, chart.panels)


def _before_after(before: Curve, after: Curve) -> Panel:
    low, high = level_span((before, after), span_db=30.0)
    name = before.name
    return Panel(
        f"{name[0].upper()}{name[1:]}",
        before.reference or "dB",
        low,
        high,
        5.0,
        traces=(
            Trace(before, "before", "before"),
            Trace(after.renamed(f"{after.key}_mended", f"{after.name} after equalizing"), "mended", "after", True),
        ),
    )


def _gain_panel(equalizer: Equalizer, like: Curve) -> Panel:
    gain = gain_db(equalizer, like.axis.hz)
    nothing = np.zeros_like(gain)
    curve = Curve(
        "equalizer_gain", "the equalizer", like.axis, gain, nothing, nothing, np.ones(gain.size, dtype=bool), "dB", "dB"
    )
    low = min(-5.0, 5.0 * np.floor(float(gain.min()) / 5.0))
    high = max(5.0, 5.0 * np.ceil(float(gain.max()) / 5.0))
    return Panel("Equalizer", "dB", float(low), float(high), 5.0, traces=(Trace(curve, "mended", "equalizer"),))


def _finding(advice: MendAdvice, mended: Sequence[Finding]) -> str:
    design, after = advice.design, advice.after
    if design is None or after is None:
        return ""
    count = len(design.equalizer.bands)
    name = advice.goal.curve.replace("_", " ")
    first = (
        f"{count} band{'s' if count != 1 else ''} bring{'s' if count == 1 else ''} the {name} from "
        f"{design.deviation_before_db:.1f} to {design.deviation_after_db:.1f} dB rms of {advice.goal.sentence}."
    )
    numbers = tuple(str(one.key) for one in mended)
    second = f"Finding{'s' if len(numbers) != 1 else ''} {listed(numbers)} {'are' if len(numbers) != 1 else 'is'} met."
    return joined(first, second if numbers else "", sentence(after.headroom.sentence))


def _reading(advice: MendAdvice) -> str:
    after = advice.after
    warned = "" if after is None else " ".join(sentence(words) for words in after.warnings)
    spread = "" if after is None or after.spread is None else sentence(after.spread.sentence)
    return joined(
        "An equalizer changes all angles alike: only what they share can be mended, and dips from interference, and "
        "bass below the loudspeaker's range, are not boosted.",
        spread,
        warned,
        "Levels are drawn without the equalizer's preamplification.",
        PALE,
    )


def bands_table(advice: MendAdvice, findings: Sequence[Finding]) -> Table | None:
    """The bands as they are set, and the finding each works against."""
    if advice.design is None:
        return None
    equalizer = advice.design.equalizer
    rows = []
    for number, band in enumerate(equalizer.bands, 1):
        met = tuple(str(one.key) for one in findings if mends(band, one))
        why = f"finding {listed(met)}" if met else "the broad balance"
        frequency = f"{band.frequency_hz:.1f}" if band.frequency_hz < 100 else f"{band.frequency_hz:.0f}"
        gain = number_words(band.gain_db, 1, sign=True)
        rows.append((str(number), _TERMS[band.kind], f"{frequency} Hz", f"{gain} dB", f"{band.q:.2f}", why))
    return Table(
        key="bands",
        title="The equalizer",
        columns=("Band", "Kind", "Frequency", "Gain", "Q", "Works against"),
        align=("left", "left", "right", "right", "right", "left"),
        rows=tuple(rows),
        note=f"Put {number_words(equalizer.preamp_db, 1, sign=True)} dB before it, so that nothing clips. "
        "Q is that of the Audio EQ Cookbook (W3C note, 2021); devices that mean another Q need another number.",
    )


def worth_table(advice: MendAdvice) -> Table:
    """What is left of the mendable deviation with each further band."""
    worth = advice.worth
    rows = [("none", f"{worth.left_db[0]:.2f} dB", "", "")]
    for count, bought in enumerate(worth.bought_db, 1):
        notes = [
            words for known, words in ((worth.knee, "the knee"), (worth.recommended, "recommended")) if known == count
        ]
        rows.append((str(count), f"{worth.left_db[count]:.2f} dB", f"{bought:.2f} dB", ", ".join(notes)))
    return Table(
        key="worth",
        title="What each further band buys",
        columns=("Bands", "Left, rms", "This band takes away", "Note"),
        align=("right", "right", "right", "left"),
        rows=tuple(rows),
        note=f"{sentence(worth.sentence)} A band is worth setting where it takes away 0.1 dB rms or more (own choice).",
    )


def gains_table(advice: MendAdvice) -> Table | None:
    """Figures before and after, with the unevenness of every curve."""
    after = advice.after
    if after is None:
        return None
    rows = [
        (figure_name(key), figure_words(before, sign=key in SIGNED),
         figure_words(after.figures_after[key], sign=key in SIGNED))
        for key, before in after.figures_before.items()
        if key in after.figures_after and (before.is_judged or after.figures_after[key].is_judged)
    ]  # fmt: skip
    rows += [
        (f"Unevenness about its own line: {after.before[key].name}", f"{old:.1f} dB rms", f"{new:.1f} dB rms")
        for key, (old, new) in after.roughness_db.items()
    ]
    return Table(
        key="before-after",
        title="Figures before and after",
        columns=("Figure", "Before", "After"),
        align=("left", "right", "right"),
        rows=tuple(rows),
        note="Behind ± stands only what each curve has of its own: what the whole session shares is the same before "
        "and after. The table of all figures has all of it.",
    )
