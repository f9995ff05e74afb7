"""Without a loop-back: does the near field of a cone have the phase that its level asks for?

A cone read close up is of minimum phase, its crossover's low-pass included. What its phase holds beyond that and a
delay is the stimulus: the classic and the synchronized form differ by one phase at all frequencies, and clocks that
differ leave a delay that grows with the logarithm of the frequency (own derivations from the sweep's law, as in
stimulus.py).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from earwitness.dsp.minimum_phase import minimum_phase
from earwitness.dsp.sweep import SweepLaw
from earwitness.quantities import NearField, QualityFlag
from earwitness.quantities.arrays import FloatArray
from earwitness.reduce.flags import flag

# Own choices. Of 42 simulated loudspeakers without a mistake 2 lie above phase or drift; what leaves more is no cone
# alone.
LIMITS = MappingProxyType({"phase_deg": 18.0, "drift_s": 1.15e-4, "left_deg": 4.5, "form_surely_deg": 45.0})
LOWEST_HZ, HIGHEST_HZ, LEAST_OCTAVES, LEAST_POINTS = 35.0, 1500.0, 2.5, 24
GRID_TOP_HZ, LARGEST_SLOPE_DB = 24_000, 24.0


@dataclass(frozen=True, slots=True)
class ConePhase:
    """phase_deg : what is the same at all frequencies, -90 to 90 (polarity is left open); drift_s : delay an e-fold
    that explains it in place of a phase; phase_left_deg, drift_left_deg : rms that each of them leaves."""

    driver: str
    phase_deg: float
    drift_s: float
    phase_left_deg: float
    drift_left_deg: float

    @property
    def left_deg(self) -> float:
        return min(self.phase_left_deg, self.drift_left_deg)


def cone_phase(near: NearField) -> ConePhase | None:
    """The reading of a cone. None where the band in which it can be read is too narrow."""
    hz = near.axis.hz
    low, high = max(near.lowest_valid_hz, LOWEST_HZ), min(near.highest_valid_hz, HIGHEST_HZ)
    rows = (hz >= low) & (hz <= high)
    if high < low * 2.0**LEAST_OCTAVES or np.count_nonzero(rows) < LEAST_POINTS:
        return None
    x = hz[rows]
    excess = np.unwrap(near.phase_rad[rows] - np.interp(x, np.arange(GRID_TOP_HZ + 1.0), _least_rad(near, high)))
    # A delay, and what an unknown level below the band does to the phase.
    nuisance = [x / high, low / x]
    phase, left = _fit([np.ones(x.size), *nuisance], excess)
    half = math.pi * round(float(phase[0]) / math.pi)
    drift, also_left = _fit([-2.0 * math.pi * x * (np.log(x / high) - 1.0), *nuisance], excess - half)
    turn_deg = math.degrees(float(phase[0]) - half)
    return ConePhase(near.driver, turn_deg, float(drift[0]), math.degrees(left), math.degrees(also_left))


def cone_phase_flags(near: Sequence[NearField], law: SweepLaw | None) -> list[QualityFlag]:
    """Asked where not even the cone that is read best has the phase of the stated sweep. near : of cones."""
    every = [one for one in map(cone_phase, near) if one is not None]
    if law is None or not every:
        return []
    # Where several sound together each hears the others, and the one that is heard best counts.
    best = min(every, key=lambda one: one.left_deg)
    is_right = abs(best.phase_deg) <= LIMITS["phase_deg"] and abs(best.drift_s) <= LIMITS["drift_s"]
    if is_right or best.left_deg > LIMITS["left_deg"]:
        return []
    parts = 1e6 * abs(best.drift_s) / law.rate_s
    form = f'the other form was played (form = "{"classic" if law.synchronized else "synchronized"}")'
    clock = f"player and recorder run on clocks that differ by about {parts:.1g} parts in a million"
    is_phase = best.phase_left_deg < best.drift_left_deg
    surely = is_phase and abs(best.phase_deg) > LIMITS["form_surely_deg"]
    likely = (form,) if surely else (form, clock) if is_phase else (clock, form)
    return [flag("near_field_turned", best.phase_deg, LIMITS["phase_deg"], best=best, listed=", or ".join(likely))]


def _fit(columns: Sequence[FloatArray], phase_rad: FloatArray) -> tuple[FloatArray, float]:
    terms = np.stack(columns, axis=1)
    answer = np.linalg.lstsq(terms, phase_rad, rcond=None)[0]
    left = float(np.sqrt(np.mean((phase_rad - terms @ answer) ** 2)))
    return np.asarray(answer, dtype=np.float64), left


def _least_rad(near: NearField, high_hz: float) -> FloatArray:
    """Minimum phase [rad] at every whole frequency of the level; flat above the octave over its band."""
    hz, level = near.axis.hz, near.level_db
    start = hz < 1.3 * hz[0]
    slope = float(np.clip(np.polyfit(np.log2(hz[start]), level[start], 1)[0], 0.0, LARGEST_SLOPE_DB))
    grid = np.arange(GRID_TOP_HZ + 1.0)
    at = np.log(np.clip(grid, hz[0], 2.0 * high_hz))
    below = slope * np.log2(np.clip(grid, 1.0, hz[0]) / hz[0])
    size = 10.0 ** ((np.interp(at, np.log(hz), level) + below) / 20.0)
    return np.asarray(np.unwrap(np.angle(minimum_phase(size))), dtype=np.float64)
