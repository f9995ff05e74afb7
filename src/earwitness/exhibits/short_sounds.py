"""Exhibits: loss by heat in a noise run, the highest level of bursts, and intermodulation."""

from collections.abc import Mapping, Sequence

from earwitness.exhibits.chart import Chart, Table, Trace
from earwitness.exhibits.compression import loss_panel
from earwitness.exhibits.level_facts import joined
from earwitness.exhibits.texts import chart, table
from earwitness.exhibits.words import figure_words, is_beyond, sentence
from earwitness.figures.compression import Compression
from earwitness.figures.distortion import figure_at
from earwitness.figures.registry import base_key, place_of
from earwitness.files.data import worded
from earwitness.quantities import Curve, Figure, Measurement

# How a caveat begins that tells what stops a burst.
_STOPS = ("harmonic", "held back")


def warm_chart(
    runs: Sequence[Curve], figures: Mapping[str, Figure], measurement: Measurement, squeezed: Compression | None
) -> Chart | None:
    """Loss after lasting noise, the sweep of the nearest voltage beside it; None without a noise run."""
    if not runs:
        return None
    curve, run = runs[-1], measurement.noise_runs[-1]
    after = f"{run.after_s:g}\N{NO-BREAK SPACE}s"
    traces = [Trace(curve, "direct", f"after {after} of noise", ribbon=True)]
    against = ""
    if squeezed is not None and squeezed.total:
        volts, sweep = min(
            zip(squeezed.drive_v[1:], squeezed.total, strict=True), key=lambda pair: abs(pair[0] - run.drive_v)
        )
        traces.append(Trace(sweep, "before", f"sweep at {volts:g}\N{NO-BREAK SPACE}V"))
        against = "The other line is what a sweep at nearly the same voltage loses at once."
    figure = figures.get(figure_at("compression_long_term", run.drive_v))
    return chart(
        "loss_by_heat",
        (loss_panel("Loss against the start", traces),),
        finding=_warm_finding(figure, after),
        note="" if figure is None else joined(*(sentence(note) for note in figure.caveats[2:])),
        reading=joined(worded("exhibits.voice_coils_get_hot"), against),
        after=after,
        run=run,
    )


def _warm_finding(figure: Figure | None, after: str) -> str:
    if figure is None or figure.value is None or figure.u is None:
        reason = "it was not judged" if figure is None else figure.reason
        return f"The loss by heat is not stated: {reason}."
    if not is_beyond(figure.value, figure.u):
        return f"After {after} of noise no loss larger than the uncertainty, {figure_words(figure)}, is seen."
    return f"After {after} of noise it has lost at most {figure_words(figure)} ({figure.caveats[0]})."


def bursts_table(figures: Mapping[str, Figure]) -> Table | None:
    """One row a frequency: highest peak level, and what stopped it; None without bursts."""
    found = [figure for key, figure in figures.items() if base_key(key) == "burst_level" and figure.value is not None]
    if not found:
        return None
    rows = []
    for figure in found:
        told = [note for note in figure.caveats if note.startswith(_STOPS)]
        stopped = "; ".join(told) if told else "the loudest was still clean"
        rows.append((place_of(figure.key), figure_words(figure), stopped))
    for key in ("burst_level_lowest", "burst_level_mean", "burst_level_upper"):
        mean = figures.get(key)
        if mean is not None and mean.value is not None:
            rows.append((f"mean of {mean.caveats[0]}", figure_words(mean), ""))
    shared = dict.fromkeys(
        note for figure in found for note in figure.caveats if not note.startswith(_STOPS)
    )  # fmt: skip
    return table(
        "bursts", rows, note=joined("Bursts of 6.5 cycles after ANSI/CTA-2010.", *(sentence(note) for note in shared))
    )


def two_tones_table(figures: Mapping[str, Figure]) -> Table | None:
    """One row a two-tone take: second and third order; None without one."""
    second = [
        figure for key, figure in figures.items() if base_key(key) == "intermodulation_2" and figure.value is not None
    ]
    rows = []
    for figure in second:
        third = figures.get(figure.key.replace("intermodulation_2", "intermodulation_3"))
        rows.append(
            (
                place_of(figure.key),
                ", ".join(figure.caveats[:2]),
                figure_words(figure),
                "not measured" if third is None else figure_words(third),
            )
        )
    if not rows:
        return None
    return table("intermodulation", rows)
