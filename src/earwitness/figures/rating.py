"""Predicted preference rating (Olive 2004, AES convention paper 6190, as quoted by third parties).

The paper itself was not read. Fitted on one room, mono, trained listeners, forward-radiating boxes (from memory):
differences under 0.5 should not be ranked.
"""

from dataclasses import replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from earwitness.figures.bandwidth import lower_limits
from earwitness.figures.linearity import lines
from earwitness.figures.sampling import band_grid, covers, not_covered
from earwitness.figures.sensitivity import band_means
from earwitness.figures.uncertainty import Drawn, drawn, with_spread
from earwitness.quantities import Asked, Curve, Figure, FloatArray

NARROW_BAND_HZ = (100.0, 12_000.0)
STRAIGHTNESS_BAND_HZ = (100.0, 16_000.0)
WINDOW_BAND_HZ = (300.0, 10_000.0)
POINTS_PER_BAND = 10
BandLayout = Literal["from 100 Hz", "centered"]
IDEAL_SUBWOOFER_HZ = 14.5  # common practice, not known to be in the paper

CAVEATS = (
    "fitted on one listening room, one loudspeaker at a time, trained listeners and boxes that radiate forward",
    "it knows nothing of distortion, maximum level, noise, price, stereo imaging or use close by",
    "the expected error of one rating is not known; the uncertainty is that of the measurement alone",
    "differences under 0.5 should not be ranked",
)


def band_points_hz(layout: BandLayout = "from 100 Hz") -> FloatArray:
    """Points of the 14 half-octave bands, 10 in each, 1/20 octave apart [Hz].

    "from 100 Hz": the first point at 100 Hz, the 14th band has 9 points, up to 12 kHz (default, a choice of this
    program). "centered": bands about 1000 * 2**(k/2) Hz with k from -6 to 7, the other layout in circulation.
    """
    if layout == "from 100 Hz":
        return band_grid(*NARROW_BAND_HZ)
    steps = np.arange(-6, 8)[:, None] / 2 - 0.25 + (np.arange(POINTS_PER_BAND) + 0.5) / 20
    return np.asarray(1000.0 * 2.0**steps, dtype=float).ravel()


def narrow_band_deviations(level_db: FloatArray) -> FloatArray:
    """(N,) means over half-octave bands of the mean absolute deviation from the band's dB mean [dB].

    level_db : (N, G) on the points of `band_points_hz`
    """
    starts = np.arange(0, level_db.shape[1], POINTS_PER_BAND)
    sizes = np.diff(np.append(starts, level_db.shape[1]))
    means = np.add.reduceat(level_db, starts, axis=1) / sizes
    away = np.abs(level_db - np.repeat(means, sizes, axis=1))
    return np.asarray((np.add.reduceat(away, starts, axis=1) / sizes).mean(axis=1), dtype=float)


def narrow_band_deviation(
    curve: Curve | Drawn, *, key: str = "narrow_band_deviation", layout: BandLayout = "from 100 Hz"
) -> Figure:
    """Mean over 14 half-octave bands of the mean absolute deviation from the band's dB mean [dB]."""
    curves = drawn(curve)
    one = curves.curve
    method = f"narrow-band deviation of {one.name}, 14 half-octave bands, {layout}"
    hz = band_points_hz(layout)
    reach = (float(hz[0]), float(hz[-1]))
    asked = Asked(key, "dB", method, reach, one.lineage)
    if not covers(one, hz):
        return asked.refused(not_covered(one, *reach))
    values = narrow_band_deviations(curves.at(hz))
    return with_spread(asked.judged(float(values[0]), 0.0, *curves.notes(*reach)), values, one.causes, low=0.0)


def rating_value(
    nbd_on_db: npt.ArrayLike, nbd_in_room_db: npt.ArrayLike, bass_limit_hz: npt.ArrayLike, straightness: npt.ArrayLike
) -> FloatArray:
    """12.69 - 2.49 NBD_ON - 2.99 NBD_PIR - 4.31 log10(bass limit / Hz) + 2.32 SM_PIR; not clipped; shapes broadcast."""
    on, in_room = np.asarray(nbd_on_db, dtype=float), np.asarray(nbd_in_room_db, dtype=float)
    bass, straight = np.log10(np.asarray(bass_limit_hz, dtype=float)), np.asarray(straightness, dtype=float)
    return np.asarray(12.69 - 2.49 * on - 2.99 * in_room - 4.31 * bass + 2.32 * straight, dtype=float)


def preference_rating(
    on_axis: Curve | Drawn,
    in_room: Curve | Drawn,
    sound_power: Curve | Drawn,
    listening_window: Curve | Drawn,
    *,
    ideal_subwoofer: bool = False,
) -> Figure:
    """Rating from four curves of ANSI/CTA-2034-A; not judged where one of them does not reach.

    Bass limit: end of the range of the sound power, 6 dB below the energy mean of the listening window, 300 Hz to
    10 kHz, looked for from 300 Hz downward; with `ideal_subwoofer` 14.5 Hz instead.
    """
    key = "preference_rating_with_subwoofer" if ideal_subwoofer else "preference_rating"
    method = "regression of Olive (2004) as quoted by third parties" + (
        ", with an ideal subwoofer to 14.5 Hz" if ideal_subwoofer else ""
    )
    curves = tuple(drawn(curve) for curve in (on_axis, in_room, sound_power, listening_window))
    direct, room, power, window = curves
    lineage = tuple(dict.fromkeys(direct.curve.lineage + room.curve.lineage + power.curve.lineage))
    asked = Asked(key, "", method, lineage=lineage)
    needs = ((direct, NARROW_BAND_HZ), (room, NARROW_BAND_HZ), (room, STRAIGHTNESS_BAND_HZ), (window, WINDOW_BAND_HZ))
    for one, band in needs:
        if not covers(one.curve, band_grid(*band)):
            return asked.refused(not_covered(one.curve, *band))
    straight_hz = band_grid(*STRAIGHTNESS_BAND_HZ)
    straight = lines(room.at(straight_hz), straight_hz)[1]
    bass = _bass_limits(power, window, ideal_subwoofer=ideal_subwoofer)
    if isinstance(bass, str):
        return asked.refused(bass)
    bass_hz, bound = bass
    points = band_points_hz()
    deviation = [narrow_band_deviations(one.at(points)) for one in (direct, room)]
    values = rating_value(deviation[0], deviation[1], bass_hz, straight)
    caveats: tuple[str, ...] = CAVEATS
    if straight[0] == 0.0:
        caveats += ("the in-room curve has no variance, so its straightness was taken as 0",)
    caveats += tuple(dict.fromkeys(note for one, band in needs for note in one.notes(*band)))
    figure = replace(asked, band_hz=STRAIGHTNESS_BAND_HZ).judged(float(values[0]), 0.0, *caveats, bound=bound)
    return with_spread(figure, values, [cause for one in curves for cause in one.curve.causes])


def _bass_limits(power: Drawn, window: Drawn, *, ideal_subwoofer: bool) -> tuple[FloatArray, str] | str:
    """(1 + N,) bass limits [Hz] and the bound of the rating; or why there is none."""
    if ideal_subwoofer:
        return np.full(len(power.rows), IDEAL_SUBWOOFER_HZ), ""
    found = lower_limits(power, band_means(window, WINDOW_BAND_HZ) - 6.0)
    if isinstance(found, str):
        return found
    return found[0], "at least" if found[1][0] < 0 else ""
