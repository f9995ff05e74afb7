"""Exhibits of what a loudspeaker does when it plays loud, in the order of the page."""

from dataclasses import replace

from earwitness.exhibits.chart import Chart, Table
from earwitness.exhibits.compression import compression_chart, highest_level_chart
from earwitness.exhibits.distortion import distortion_chart, levels_table, multitone_chart
from earwitness.exhibits.equal_level import equal_level_table
from earwitness.exhibits.short_sounds import bursts_table, two_tones_table, warm_chart
from earwitness.exhibits.words import sentence
from earwitness.figures.level_series import level_series_reading
from earwitness.quantities import Measurement, Reading

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
