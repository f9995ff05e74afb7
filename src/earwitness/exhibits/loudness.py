"""Exhibits of what a loudspeaker does when it plays loud, in the order of the page."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from earwitness.exhibits.chart import Chart, Table, Trace, chart, table
from earwitness.exhibits.compression import compression_chart, highest_level_chart, loss_panel
from earwitness.exhibits.distortion import distortion_chart, equal_level_table, levels_table, multitone_chart
from earwitness.exhibits.level_facts import joined
from earwitness.exhibits.words import figure_words, is_beyond, sentence
from earwitness.figures.compression import Compression
from earwitness.figures.distortion import figure_at
from earwitness.figures.level_series import level_series_reading
from earwitness.figures.registry import base_key, place_of
from earwitness.files.data import worded
from earwitness.quantities import Curve, Figure, Measurement, Reading

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


TITLES = {
    "distortion_total": "Distortion",
    "compression": "Compression",
    "highest_clean_level": "Maximum clean SPL",
    "multitone_residue": "Multitone distortion",
    "compression_long_term": "Thermal compression",
}


def loudness(reading: Reading, measurement: Measurement) -> tuple[Chart | Table, ...]:
    """Distortion, compression, highest clean level, many and two tones, table of levels, bursts: as far as recorded."""
    found = level_series_reading(measurement, reading)
    shown: list[Chart | Table | None] = [
        distortion_chart(found.distortions, reading.figures),
        None if found.compression is None else compression_chart(found.compression, reading.figures, found.distortions),
        warm_chart(found.warm, found.figures, measurement, found.compression),
        None if found.clean is None else highest_level_chart(found.clean, reading.figures),
        equal_level_table(reading.figures),
        multitone_chart(found.multitones),
        two_tones_table(found.figures),
    ]
    if found.distortions:
        table = levels_table(found.distortions, reading.figures)
        note = " ".join((table.note, *(sentence(note) for note in found.notes)))
        shown.append(replace(table, note=note))
    shown.append(bursts_table(reading.figures))
    return tuple(one for one in shown if one is not None)


def loudness_absent(reading: Reading) -> tuple[str, ...]:
    """A sentence for each exhibit of loudness that is missing, with the reason."""
    return tuple(
        f"{title} is not shown: {reading.missing[key]}." for key, title in TITLES.items() if key in reading.missing
    )
