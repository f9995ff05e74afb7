"""Line sources and soundbars: level falls less with distance than that of a point, and up to where it does."""

from typing import Final

import numpy as np

from earwitness.figures.kinds import SPEED_M_S, far_field_to_hz, line_length_m
from earwitness.files.data import worded
from earwitness.insight.kinds.reading import KindReading, figure_of, plus_minus
from earwitness.insight.spread import decibels
from earwitness.quantities import Curve, FrequencyAxis
from earwitness.quantities.arrays import FloatArray
from earwitness.session.record import Loudspeaker

# A length is known within 5 %; a real line is shaded, curved or stepped (own choices).
LENGTH_U: Final = 0.05
SHADED_U_DB: Final = 1.0
DISTANCES_M: Final = (2.0, 3.0, 4.0)
_TREBLE_HZ: Final = 4000.0
_STEPS_PER_WAVE: Final = 24.0


def line_level_db(length_m: float, hz: FloatArray, distance_m: float) -> FloatArray:
    """(F,) level of an even line on its middle axis at a distance against its far field referred there [dB].

    |integral of exp(-jkR) / R along the line| d / H, by the midpoint rule; the Fresnel form is 1.4 dB off at d = 0.8 H.
    """
    steps = int(np.ceil(_STEPS_PER_WAVE * length_m * np.max(hz) / SPEED_M_S)) + 64
    path = np.hypot(distance_m, (np.arange(steps) + 0.5) / steps * length_m - length_m / 2.0)
    wave = np.exp(-2j * np.pi / SPEED_M_S * np.outer(hz, path)) / path
    return np.asarray(20.0 * np.log10(np.abs(wave.mean(axis=1)) * distance_m), dtype=np.float64)


def line(loudspeaker: Loudspeaker, axis: FrequencyAxis, *, measured_m: float, distance_m: float) -> KindReading:
    """Level by distance against the far-field figure, and up to where that holds at the microphones' distance."""
    length, holds_hz = line_length_m(loudspeaker), far_field_to_hz(loudspeaker, measured_m)
    holds = figure_of("far_field_to", holds_hz, 2.0 * LENGTH_U * holds_hz, f"a line of {length:.2f} m")
    rows, curves, treble = [(f"recorded at {measured_m:g} m", holds)], [], int(np.argmin(np.abs(axis.hz - _TREBLE_HZ)))
    for at_m in DISTANCES_M:
        db, longer = (line_level_db(by * length, axis.hz, at_m) for by in (1.0, 1.0 + LENGTH_U))
        u = np.hypot(longer - db, SHADED_U_DB * np.clip(-db, 0.05, 1.0))
        reference = "dB against the far field referred there"
        curves.append(Curve.of(f"line_{at_m:g}", f"at {at_m:g} m", axis, db, u=u, reference=reference))
        rows.append((f"4 kHz at {at_m:g} m", figure_of("line_level", db[treble], u[treble])))

    def falls_db(of_m: float) -> float:
        there, twice = (line_level_db(of_m, axis.hz[[treble]], by * distance_m)[0] for by in (1.0, 2.0))
        return float(6.02 - twice + there)

    fall_db = falls_db(length)
    u_fall = np.hypot(falls_db((1.0 + LENGTH_U) * length) - fall_db, SHADED_U_DB * np.clip(6.02 - fall_db, 0.05, 1.0))
    said = worded("insight.line_source", length=length, far_m=length**2 * _TREBLE_HZ / SPEED_M_S,
                  holds=plus_minus(holds, 0), measured_m=measured_m)  # fmt: skip
    fall = worded(
        "insight.line_doubled", distance_m=distance_m, twice_m=2.0 * distance_m, fall=decibels(fall_db, float(u_fall))
    )
    return KindReading(loudspeaker.type, tuple(rows), (said, fall), tuple(curves))
