"""Predicted preference rating (Olive 2004, AES convention paper 6190, as quoted by third parties).

The paper itself was not read. Fitted on one room, mono, trained listeners, forward-radiating boxes (from memory):
differences under 0.5 should not be ranked.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
import numpy.typing as npt

from earwitness.figures.bandwidth import lower_limit
from earwitness.figures.linearity import Line, slope
from earwitness.figures.sampling import band_grid, not_covered, sampled
from earwitness.figures.sensitivity import band_level
from earwitness.quantities import Curve, Figure, not_judged
from earwitness.quantities.arrays import FloatArray

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


def narrow_band_deviation(
    curve: Curve, *, key: str = "narrow_band_deviation", layout: BandLayout = "from 100 Hz"
) -> Figure:
    """Mean over 14 half-octave bands of the mean absolute deviation from the band's dB mean [dB].

    The uncertainty takes the bands as independent and each band's error as if it moved the deviation fully.
    """
    method = f"narrow-band deviation of {curve.name}, 14 half-octave bands, {layout}"
    hz = band_points_hz(layout)
    reach = (float(hz[0]), float(hz[-1]))
    values, u, _, valid = sampled(curve, hz)
    if not valid.all():
        reason = not_covered(curve, *reach)
        return not_judged(key, reason, unit="dB", method=method, band_hz=reach, lineage=curve.lineage)
    bands = [values[first : first + POINTS_PER_BAND] for first in range(0, values.size, POINTS_PER_BAND)]
    deviation = float(np.mean([np.abs(band - band.mean()).mean() for band in bands]))
    spread = float(np.sqrt((u**2).mean() / len(bands)))
    return Figure(key, deviation, spread, "dB", reach, method, lineage=curve.lineage)


def rating_value(
    nbd_on_db: npt.ArrayLike, nbd_in_room_db: npt.ArrayLike, bass_limit_hz: npt.ArrayLike, straightness: npt.ArrayLike
) -> FloatArray:
    """12.69 - 2.49 NBD_ON - 2.99 NBD_PIR - 4.31 log10(bass limit / Hz) + 2.32 SM_PIR; not clipped; shapes broadcast."""
    on, in_room = np.asarray(nbd_on_db, dtype=float), np.asarray(nbd_in_room_db, dtype=float)
    bass, straight = np.log10(np.asarray(bass_limit_hz, dtype=float)), np.asarray(straightness, dtype=float)
    return np.asarray(12.69 - 2.49 * on - 2.99 * in_room - 4.31 * bass + 2.32 * straight, dtype=float)


def preference_rating(
    on_axis: Curve, in_room: Curve, sound_power: Curve, listening_window: Curve, *, ideal_subwoofer: bool = False
) -> Figure:
    """Rating from four curves of ANSI/CTA-2034-A; not judged where one of them does not reach.

    The uncertainty given here leaves out the straightness of the in-room curve; drawn curves hold it in.

    Bass limit: sound power 6 dB below the energy mean of the listening window, 300 Hz to 10 kHz, going down from
    300 Hz; with `ideal_subwoofer` 14.5 Hz instead.
    """
    key = "preference_rating_with_subwoofer" if ideal_subwoofer else "preference_rating"
    method = "regression of Olive (2004) as quoted by third parties" + (
        ", with an ideal subwoofer to 14.5 Hz" if ideal_subwoofer else ""
    )
    lineage = tuple(dict.fromkeys(on_axis.lineage + in_room.lineage + sound_power.lineage))

    def refuse(reason: str) -> Figure:
        return not_judged(key, reason, unit="", method=method, lineage=lineage)

    parts = (narrow_band_deviation(on_axis), narrow_band_deviation(in_room))
    line = slope(in_room, band_hz=STRAIGHTNESS_BAND_HZ)
    window = band_level(listening_window, band_hz=WINDOW_BAND_HZ)
    for part in (*parts, window):
        if part.value is None:
            return refuse(part.reason)
    if not isinstance(line, Line):
        return refuse(line.reason)
    bass_hz, u_bass_hz, bound = IDEAL_SUBWOOFER_HZ, 0.0, ""
    if not ideal_subwoofer:
        bass = lower_limit(sound_power, window.value or 0.0, 6.0, key="bass_limit", u_reference_db=window.u or 0.0)
        if bass.value is None or bass.u is None:
            return refuse(bass.reason)
        bass_hz, u_bass_hz = bass.value, bass.u
        bound = "at least" if bass.bound == "at most" else ""
    value = float(rating_value(parts[0].value or 0.0, parts[1].value or 0.0, bass_hz, line.r_squared))
    u_bass = 4.31 * u_bass_hz / (bass_hz * math.log(10))
    spread = math.hypot(2.49 * (parts[0].u or 0.0), 2.99 * (parts[1].u or 0.0), u_bass)
    caveats: tuple[str, ...] = CAVEATS
    if line.r_squared == 0.0:
        caveats += ("the in-room curve has no variance, so its straightness was taken as 0",)
    return Figure(key, value, spread, "", STRAIGHTNESS_BAND_HZ, method, bound=bound, caveats=caveats, lineage=lineage)
