"""Phase of a table: wrapped or running on, which delay it carries, and whether its points lie close enough to tell."""

from dataclasses import dataclass

import numpy as np

from earwitness.files.data import worded
from earwitness.quantities.arrays import FloatArray, Locked

# Neighbors may differ by half a turn at most; a margin for what the loudspeaker itself turns (own choice).
_SAFE_TURN_RAD = np.radians(150.0)
_START_TURN_RAD = np.radians(75.0)


@dataclass(frozen=True, slots=True, eq=False)
class PhaseReading(Locked):
    """phase_rad : (F,) as written, in -pi to pi unless it runs on; unwrapped : it runs on beyond a turn

    delay_s : slope over the upper half of the band, None where the points lie too far apart to tell
    told : what the reader owes the person, or ""
    """

    phase_rad: FloatArray
    unwrapped: bool
    delay_s: float | None
    told: str


def phase_reading(hz: FloatArray, phase_rad: FloatArray, *, unwrapped: bool = False) -> PhaseReading:
    """What a column of phase says. hz, phase_rad : (F,), NaN where a field is missing.

    A delay tau turns by 2 pi tau times the step in frequency between neighbors; above half a turn nothing can tell
    how many turns there were (sampling in frequency).
    """
    known = np.isfinite(phase_rad)
    if known.sum() < 3:
        return PhaseReading(phase_rad, unwrapped, None, "")
    f, phase = hz[known], phase_rad[known]
    span = float(phase.max() - phase.min())
    if unwrapped or span > 2 * np.pi * 1.01:
        return PhaseReading(phase_rad, True, _slope_s(f, phase), "")
    wrapped = np.where(known, np.angle(np.exp(1j * np.where(known, phase_rad, 0.0))), np.nan)
    limit_hz = _told_to_hz(f, wrapped[known])
    if limit_hz is not None:
        told = worded("formats.phase_too_coarse", limit_hz=limit_hz)
        return PhaseReading(wrapped, False, None, told)
    return PhaseReading(wrapped, False, _slope_s(f, np.unwrap(wrapped[known])), "")


def _slope_s(hz: FloatArray, phase_rad: FloatArray) -> float:
    """Delay by least squares over the upper half of the points' band."""
    upper = hz >= np.sqrt(hz[0]) * np.sqrt(hz[-1])
    x = 2 * np.pi * (hz[upper] - hz[upper].mean())
    spread = float(x @ x)
    return float(-(x @ phase_rad[upper]) / spread) if spread > 0.0 else 0.0


def _told_to_hz(hz: FloatArray, phase_rad: FloatArray) -> float | None:
    """Frequency above which the delay seen at the low end turns too far from point to point; None if nowhere."""
    turn = np.diff(np.unwrap(phase_rad))
    start = np.flatnonzero(np.abs(turn) > _START_TURN_RAD)
    clear = int(start[0]) if start.size else turn.size
    if clear < 3:
        return float(hz[0])
    step = np.diff(hz)
    delay = np.median(-turn[:clear][-5:] / step[:clear][-5:])
    too_far = np.flatnonzero(np.abs(delay) * step > _SAFE_TURN_RAD)
    return float(hz[too_far[0]]) if too_far.size else None
