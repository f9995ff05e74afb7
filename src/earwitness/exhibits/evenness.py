"""Exhibit: how even the direct sound is, against windows of ±1.5 and ±3 dB."""

import numpy as np

from earwitness.exhibits.chart import Chart, Mark, Region
from earwitness.exhibits.level_facts import (
    SMOOTHING,
    Extreme,
    Spread,
    deviation_words,
    direct_spread,
    joined,
    level_panel,
    splice_region,
    traces_of,
    trust_words,
)
from earwitness.exhibits.texts import chart
from earwitness.exhibits.words import figure_words, frequency_words, is_beyond, value_words
from earwitness.figures.sampling import band_grid, sampled, smoothed
from earwitness.files.data import worded
from earwitness.quantities import Curve, Measurement, Reading

WINDOWS_DB = (3.0, 1.5)
_ABOVE_DB, _BELOW_DB = 10.0, 15.0


def evenness(reading: Reading, measurement: Measurement) -> Chart | None:
    """On-axis response as it is, with two windows about its mean level and its largest deviations numbered."""
    curve = reading.curves.get("on_axis")
    spread = direct_spread(reading)
    if curve is None or spread is None:
        return None
    middle = 5.0 * round(spread.mean_db / 5.0)
    low_hz, high_hz = spread.band_hz
    windows = tuple(
        Region("window", low_hz, high_hz, spread.mean_db - half, spread.mean_db + half, f"±{half:g} dB")
        for half in WINDOWS_DB
    )
    panel = level_panel(
        traces_of(reading, (("on_axis", "direct", "on axis", True),)),
        span=(middle - _BELOW_DB, middle + _ABOVE_DB),
        regions=windows + splice_region(measurement),
        marks=_marks(spread),
    )
    return chart(
        "evenness",
        (panel,),
        finding=joined(f"The on-axis response {deviation_words(spread)}.", _share_words(reading, curve, spread)),
        reading=joined(
            worded("exhibits.two_gray_bands_yardsticks"),
            f"Deviations are taken after 1/{SMOOTHING} octave smoothing; the curve is drawn without.",
            trust_words(measurement),
        ),
    )


def share_inside(curve: Curve, spread: Spread, half_db: float) -> float:
    """Share of the band, on a logarithmic frequency scale, within `half_db` of the mean."""
    values, _, _, valid = sampled(smoothed(curve, SMOOTHING), band_grid(*spread.band_hz))
    return float((np.abs(values[valid] - spread.mean_db) <= half_db).mean())


def _share_words(reading: Reading, curve: Curve, spread: Spread) -> str:
    inner, outer = (
        figure_words(found)
        if (found := reading.figures.get(key)) is not None and found.is_judged
        else f"{round(100 * share_inside(curve, spread, half_db))}\N{NO-BREAK SPACE}%"
        for key, half_db in (("linearity_share_1p5db", 1.5), ("linearity_share_3db", 3.0))
    )
    return f"Of the band {inner} lies within ±1.5 dB and {outer} within ±3 dB."


def _marks(spread: Spread) -> tuple[Mark, ...]:
    def text(extreme: Extreme, word: str) -> str:
        amount = value_words(abs(extreme.value_db), extreme.u_db, "dB")
        return f"{amount} {word} the mean level at {frequency_words(extreme.at_hz)}"

    found = [
        (extreme, word)
        for extreme, sign, word in ((spread.rise, 1, "above"), (spread.dip, -1, "below"))
        if sign * extreme.value_db > 0 and is_beyond(extreme.value_db, extreme.u_db)
    ]
    return tuple(
        Mark(number, extreme.at_hz, spread.mean_db + extreme.value_db, text(extreme, word))
        for number, (extreme, word) in enumerate(found, 1)
    )
