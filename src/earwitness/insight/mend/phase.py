"""Where a response is not of minimum phase, so that an equalizer would mend the level and not the sound."""

import numpy as np

from earwitness.quantities.arrays import FloatArray

MINIMUM_PHASE_DEG = 20.0
"""An equalizer is of minimum phase (physics); the limit is an own choice."""
_LOCAL_OCTAVES = 1 / 3


def phase_bend_deg(hz: FloatArray, excess_phase_rad: FloatArray) -> FloatArray:
    """(F,) largest departure of the excess phase (F,) [rad, unwrapped] from a constant and a delay [degrees].

    Least squares over every third of an octave; each frequency gets the largest of all that hold it. Zeros where hz,
    log-spaced, spans less than that.
    """
    step = float(np.log2(hz[1] / hz[0]))
    reach = max(2, round(_LOCAL_OCTAVES / 2 / step))
    if hz.size < 2 * reach + 1:
        return np.zeros(hz.size)
    # A delay's phase goes with frequency, so on a log grid one projection serves every window.
    columns = np.stack([np.ones(2 * reach + 1), 2.0 ** (step * np.arange(-reach, reach + 1))], axis=-1)
    rest = np.eye(2 * reach + 1) - columns @ np.linalg.pinv(columns)
    windows = np.lib.stride_tricks.sliding_window_view(excess_phase_rad, 2 * reach + 1)
    worst = np.pad(np.rad2deg(np.abs(windows @ rest).max(axis=1)), 2 * reach)
    return np.asarray(np.lib.stride_tricks.sliding_window_view(worst, 2 * reach + 1).max(axis=1), dtype=float)
