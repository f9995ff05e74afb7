"""What an equalizer is to reach: a flat listening window, a straight slope in the room, or the user's own table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from earwitness.errors import InputError, choice
from earwitness.figures.linearity import LINEARITY_BAND_HZ, Line, slope
from earwitness.quantities import Curve
from earwitness.quantities.arrays import BoolArray, FloatArray, lock_fields

CURVES = ("on_axis", "listening_window", "early_reflections", "sound_power", "in_room")
STEEPEST_DB_PER_OCTAVE = 6.0
_NAMES = {"on_axis": "curve on the axis", "in_room": "predicted in-room response"}


def curve_name(curve: str) -> str:
    """A curve's key as it stands in a sentence."""
    return _NAMES.get(curve, curve.replace("_", " "))


@dataclass(frozen=True, slots=True, eq=False)
class Goal:
    """A target shape for one curve; its overall level is left free.

    curve : key of the curve that is to follow it; hz : (P,) rising; shape_db : (P,), linear against log frequency
    between; beyond the ends continued where `beyond` (straight lines), else no goal there
    sentence : plain words
    """

    curve: str
    hz: FloatArray
    shape_db: FloatArray
    beyond: bool
    sentence: str

    def __post_init__(self) -> None:
        lock_fields(self, hz=float, shape_db=float)

    def at(self, frequency_hz: FloatArray) -> tuple[FloatArray, BoolArray]:
        """(F,) shape [dB] and where there is a goal."""
        x, known = np.log2(frequency_hz), np.log2(self.hz)
        values = np.interp(x, known, self.shape_db)
        inside = (x >= known[0] - 1e-9) & (x <= known[-1] + 1e-9)
        if not self.beyond:
            return values, inside
        rise = (self.shape_db[-1] - self.shape_db[0]) / (known[-1] - known[0])
        values = values + rise * (np.minimum(x - known[0], 0.0) + np.maximum(x - known[-1], 0.0))
        return values, np.ones(x.shape, dtype=bool)


def flat_window(curve: str = "listening_window") -> Goal:
    """A level curve: the listening window by default."""
    choice("the curve of the goal", curve, CURVES)
    words = f"a flat {curve_name(curve)}"
    return Goal(curve, np.array([20.0, 20_000.0]), np.zeros(2), True, words)


def straight_slope(slope_db_per_octave: float, *, curve: str = "in_room") -> Goal:
    """A straight line on log frequency. InputError for a slope steeper than 6 dB/octave."""
    choice("the curve of the goal", curve, CURVES)
    if not abs(slope_db_per_octave) <= STEEPEST_DB_PER_OCTAVE:
        raise InputError(
            f"a goal of {slope_db_per_octave} dB/octave", expected=f"at most {STEEPEST_DB_PER_OCTAVE:g} dB/octave"
        )
    hz = np.array([20.0, 20_000.0])
    words = f"a straight {curve_name(curve)} of {slope_db_per_octave:+.2f} dB/octave"
    return Goal(curve, hz, slope_db_per_octave * np.log2(hz / 1000.0), True, words)


def fitted_slope(curve: Curve, *, band_hz: tuple[float, float] = LINEARITY_BAND_HZ) -> Goal:
    """The straight line that fits a curve best; InputError where the curve does not cover the band."""
    line = slope(curve, band_hz=band_hz)
    if not isinstance(line, Line):
        raise InputError(f"no slope can be fitted: {line.reason}", remedy="give the slope in dB/octave")
    return straight_slope(float(line.slope.value or 0.0), curve=curve.key)


def table(points: Sequence[tuple[float, float]], *, curve: str = "listening_window") -> Goal:
    """The user's table of (frequency [Hz], level [dB]); outside it nothing is asked for.

    InputError for fewer than two points, numbers that are not finite, or frequencies that do not rise from above 0.
    """
    choice("the curve of the goal", curve, CURVES)
    rows = np.asarray(points, dtype=float).reshape(-1, 2)
    good = len(rows) >= 2 and bool(np.isfinite(rows).all()) and rows[0, 0] > 0 and bool((np.diff(rows[:, 0]) > 0).all())
    if not good:
        raise InputError(
            f"a target table of {len(rows)} points",
            expected="two or more rows of frequency in Hz, rising from above 0, and level in dB",
        )
    words = f"a {curve_name(curve)} after a table of {len(rows)} points"
    return Goal(curve, rows[:, 0], rows[:, 1], False, words)
