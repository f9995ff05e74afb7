"""Exhibit: the load that the loudspeaker puts on an amplifier."""

from collections.abc import Mapping
from math import ceil
from typing import Final

import numpy as np

from earwitness.exhibits import words as wording
from earwitness.exhibits.chart import Chart, ChartRegion, Mark, Panel, chart
from earwitness.exhibits.level_facts import Wanted, joined, step_span, traces_of, valid_values
from earwitness.files.data import worded
from earwitness.quantities import Curve, Figure, Reading

LOW_HZ, HIGH_HZ = 5.0, 40_000.0
_SIZES: Final[tuple[Wanted, ...]] = (
    ("impedance_magnitude", "plain", "impedance", True),
    ("epdr", "directivity", "EPDR", False),
)
_PHASE: Final[tuple[Wanted, ...]] = (("impedance_phase", "plain", "phase", True),)
_MOST_TICKS = 8


def load(reading: Reading) -> Chart | None:
    """Magnitude with the equivalent peak dissipation resistance above, phase beneath; None without an impedance."""
    traces = traces_of(reading, _SIZES)
    if "impedance_magnitude" not in reading.curves or not traces[0].curve.valid.any():
        return None
    values = valid_values(tuple(trace.curve for trace in traces), LOW_HZ, HIGH_HZ)
    step, high = _scale(float(values.max(initial=1.0)))
    upper = Panel(
        "Impedance",
        wording.unit_words("ohm").strip(),
        0.0,
        high,
        step,
        traces=traces,
        regions=_limit(reading.figures),
        marks=_marks(reading),
        db_per_decade=None,
    )
    panels = [upper]
    turns = traces_of(reading, _PHASE)
    if turns:
        low_deg, high_deg = step_span(
            valid_values(tuple(trace.curve for trace in turns), LOW_HZ, HIGH_HZ), 30.0, low=-60.0, high=60.0
        )
        panels.append(
            Panel("Phase", wording.unit_words("deg"), low_deg, high_deg, 30.0, traces=turns, db_per_decade=None)
        )
    return chart(
        "load", panels, finding=_finding(reading.figures), low_hz=LOW_HZ, high_hz=HIGH_HZ, reading=_how_to_read(reading)
    )


def _scale(largest: float) -> tuple[float, float]:
    """Step and upper end of the axis in ohms: eight steps of 1, 2 or 5 times a power of ten at most."""
    steps = [digit * 10.0**power for power in range(-1, 5) for digit in (1.0, 2.0, 5.0)]
    step = next((one for one in steps if largest * 1.05 <= one * _MOST_TICKS), steps[-1])
    return step, step * ceil(largest * 1.05 / step)


def _value(figures: Mapping[str, Figure], key: str) -> float | None:
    figure = figures.get(key)
    return None if figure is None else figure.value


def _limit(figures: Mapping[str, Figure]) -> tuple[ChartRegion, ...]:
    """The range that the maker's rating rules out: below 80 % of it."""
    lowest, margin = (_value(figures, key) for key in ("impedance_minimum", "rated_impedance_margin"))
    if lowest is None or margin is None:
        return ()
    limit = lowest - margin
    band = figures["impedance_minimum"].band_hz or (20.0, 20_000.0)
    words = f"below 80 % of {wording.number_words(limit / 0.8, 1).removesuffix('.0')}{wording.unit_words('ohm')}"
    return (ChartRegion(kind="target", low_hz=band[0], high_hz=band[1], low=0.0, high=limit, label=words),)


def _at(curve: Curve, hz: float) -> float:
    """Value of a curve at a frequency, linear over log frequency."""
    return float(np.interp(np.log(hz), np.log(curve.axis.hz), curve.values))


def _marks(reading: Reading) -> tuple[Mark, ...]:
    """Lowest impedance, lowest EPDR, tuning or resonance, and each small resonance, in this order."""
    figures, marks = reading.figures, list[Mark]()

    def add(at_key: str, curve_key: str, words: str) -> None:
        hz, curve = _value(figures, at_key), reading.curves.get(curve_key)
        if hz is not None and curve is not None and LOW_HZ <= hz <= HIGH_HZ:
            marks.append(Mark(len(marks) + 1, hz, _at(curve, hz), f"{words}, {_hz(hz)}"))

    for at_key, curve_key, value_key, words in (
        ("impedance_minimum_at", "impedance_magnitude", "impedance_minimum", "lowest impedance"),
        ("epdr_minimum_at", "epdr", "epdr_minimum", "lowest EPDR"),
    ):
        figure = figures.get(value_key)
        if figure is not None and figure.is_judged:
            add(at_key, curve_key, f"{words} {wording.figure_words(figure)}")
    add("box_tuning", "impedance_magnitude", "tuning of the box")
    add("closed_resonance", "impedance_magnitude", "resonance of the closed box")
    return tuple(marks)


def _finding(figures: Mapping[str, Figure]) -> str:
    lowest, at = figures.get("impedance_minimum"), _value(figures, "impedance_minimum_at")
    if lowest is None or not lowest.is_judged or at is None:
        reason = "" if lowest is None else f": {lowest.reason}"
        return f"The lowest impedance is not judged{reason}."
    first = f"The impedance is lowest at {_hz(at)}: {wording.figure_words(lowest)}."
    margin, amplifier = figures.get("rated_impedance_margin"), figures.get("amplifier_load")
    verdict = "" if margin is None else _rating_words(margin)
    advice = ""
    if amplifier is not None and amplifier.value is not None:
        least = f"{wording.number_words(amplifier.value, 0)}{wording.unit_words('ohm')}"
        least = f"less than {least}" if amplifier.bound else f"loads rated {least}"
        advice = f"An amplifier for it should be stable into {least}."
    return joined(first, wording.true_minus(verdict), advice)


def _rating_words(margin: Figure) -> str:
    """Whether the maker's rating holds; by how much it does not, with the uncertainty of that."""
    if margin.value is None or margin.u is None or not margin.caveats:
        return ""
    told = wording.sentence(margin.caveats[0])
    head, split, _ = told.partition(", the lowest impedance falls short by ")
    return f"{head}{split}{wording.value_words(-margin.value, margin.u, margin.unit, most=2)}." if split else told


def _hz(hz: float) -> str:
    """Three digits, as claims and figures name the same frequency."""
    return wording.frequency_words(hz, digits=3)


def _how_to_read(reading: Reading) -> str:
    figures = reading.figures
    heat = ""
    if "epdr" in reading.curves:
        lowest, at = figures.get("epdr_minimum_program"), _value(figures, "epdr_minimum_program_at")
        heat = worded("exhibits.dashed_curve_equivalent_peak")
        if lowest is not None and lowest.is_judged and at is not None:
            heat += f" From 40 Hz to 4 kHz it falls to {wording.figure_words(lowest)} at {_hz(at)}."
    return joined(
        "A low impedance asks for current; a phase far from 0 asks for it while the voltage is low, which is harder.",
        heat,
        _bass_words(figures),
        _wrinkle_words(figures.get("impedance_wrinkles")),
    )


def _bass_words(figures: Mapping[str, Figure]) -> str:
    tuning, closed, total = (figures.get(key) for key in ("box_tuning", "closed_resonance", "closed_q_total"))
    if tuning is not None and tuning.is_judged:
        return f"The valley between the two bass peaks shows the tuning of the box, {wording.figure_words(tuning)}."
    if closed is None or not closed.is_judged:
        return ""
    damping = f" with a total Q of {wording.figure_words(total)}" if total is not None and total.is_judged else ""
    return f"The bass peak is the resonance of the closed box, {wording.figure_words(closed)}{damping}."


def _wrinkle_words(found: Figure | None) -> str:
    if found is None or found.value is None:
        return ""
    if found.value == 0:
        return "No small resonance stands out."
    return f"Small resonances stand out: {'; '.join(found.caveats)}."
