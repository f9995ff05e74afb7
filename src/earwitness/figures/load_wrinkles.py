"""Small resonances of cabinet, cone or port, seen as wrinkles in the impedance.

A vibration that takes energy from the cone shows as a narrow bump against its smooth surroundings. Method and limits
are project defaults, no source.
"""

from dataclasses import dataclass

import numpy as np

from earwitness.figures.load_box import vertex
from earwitness.figures.load_curves import on_load_grid
from earwitness.quantities import Impedance
from earwitness.quantities.arrays import BoolArray, FloatArray
from earwitness.quantities.axis import REPORT_POINTS_PER_OCTAVE

WRINKLE_BAND_HZ = (80.0, 20_000.0)
SURROUNDINGS_OCTAVES, CORE_OCTAVES = 1.0 / 4.0, 1.0 / 16.0
LEAST_PERCENT = 0.6
NOISE_FACTOR = 6.0
MOST = 12


@dataclass(frozen=True, slots=True)
class Wrinkle:
    """A narrow bump: where it is largest [Hz], and how far |Z| leaves its smooth surroundings there [%, signed]."""

    hz: float
    percent: float


def roughness(impedance: Impedance) -> float:
    """Relative standard deviation of what differs from point to point of |Z|, each against its two neighbors."""
    size = np.log(np.where(impedance.valid, np.maximum(np.abs(impedance.ohm), 1e-9), 1.0))
    whole = impedance.valid[1:-1] & impedance.valid[:-2] & impedance.valid[2:]
    off = (size[1:-1] - 0.5 * (size[:-2] + size[2:]))[whole]
    if off.size == 0:
        return 0.0
    # Median instead of rms: bends and bumps are few. A point against two neighbors has 1.5 times its variance.
    return float(1.4826 * np.median(np.abs(off - np.median(off))) / np.sqrt(1.5))


def wrinkles(impedance: Impedance, *, above_hz: float = WRINKLE_BAND_HZ[0]) -> tuple[Wrinkle, ...]:
    """Bumps of 0.6 % and more above `above_hz`, lowest frequency first, the twelve largest at most.

    The surroundings are a cubic through 1/4 octave to either side without the innermost 1/16; a bump counts if it
    also exceeds six times the noise, and stands out by half its size from what lies 1/12 to 1/4 octave beside it.
    """
    grid = on_load_grid(impedance)
    bump, known = _against_surroundings(grid)
    hz = grid.axis.hz
    inside = known & (hz >= max(above_hz, WRINKLE_BAND_HZ[0])) & (hz <= WRINKLE_BAND_HZ[1])
    limit = max(LEAST_PERCENT / 100.0, NOISE_FACTOR * roughness(grid))
    found: list[int] = []
    apart = round(REPORT_POINTS_PER_OCTAVE * SURROUNDINGS_OCTAVES)
    for row in np.argsort(-np.abs(np.where(inside, bump, 0.0)), kind="stable"):
        if abs(bump[row]) < limit or not inside[row] or len(found) == MOST:
            break
        if all(abs(row - other) > apart for other in found) and _is_narrow(bump, int(row)):
            found.append(int(row))
    tops = [vertex(np.log(hz), bump, row) for row in sorted(found)]
    return tuple(Wrinkle(float(np.exp(place)), 100.0 * float(np.expm1(size))) for place, size in tops)


def _against_surroundings(grid: Impedance) -> tuple[FloatArray, BoolArray]:
    """ln |Z| (F,) minus the cubic through its surroundings, and where all of them are valid."""
    reach, core = (round(REPORT_POINTS_PER_OCTAVE * width) for width in (SURROUNDINGS_OCTAVES, CORE_OCTAVES))
    place = np.arange(-reach, reach + 1)
    outside = np.abs(place) >= core
    # Row 0 of the pseudo-inverse predicts the middle from the surroundings.
    weights = np.zeros(place.size)
    weights[outside] = np.linalg.pinv((place[outside, None] / reach) ** np.arange(4))[0]
    size = np.log(np.where(grid.valid, np.maximum(np.abs(grid.ohm), 1e-9), 1.0))
    bump, known = np.zeros(size.shape), np.zeros(size.shape, dtype=bool)
    if size.size <= 2 * reach:
        return bump, known
    rows = np.lib.stride_tricks.sliding_window_view(size, place.size)
    bump[reach:-reach] = size[reach:-reach] - rows @ weights
    known[reach:-reach] = np.lib.stride_tricks.sliding_window_view(grid.valid, place.size).all(axis=-1)
    return bump, known


def _is_narrow(bump: FloatArray, row: int) -> bool:
    """A wide bend leaves one sign of nearly one size all around; a bump falls to half within 1/12 octave each side."""
    step = REPORT_POINTS_PER_OCTAVE // 12
    sides = (bump[max(row - step, 0)], bump[min(row + step, bump.size - 1)])
    return all(side / bump[row] < 0.5 for side in sides)
