"""What the checks of the recordings hold on to: the facts of a take, and the one table of limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from types import MappingProxyType

from earwitness.quantities.arrays import FloatArray, lock_fields
from earwitness.quantities.directions import Orbit

# Project defaults, common practice where no standard says otherwise.
THRESHOLDS = MappingProxyType(
    {
        "clipping_peak_fs": 0.999,
        "silence_peak_fs": 1e-3,
        "distance_m": 0.03,
        "distance_share": 0.02,
        "distance_common_m": 0.1,
        "distance_early_elsewhere_m": 0.5,
        "distance_late_elsewhere_m": 0.6,
        "distance_strict_horizontal_deg": 30.0,
        "distance_strict_vertical_deg": 10.0,
        "level_jump_db": 0.3,
        "level_jump_mads": 5.0,
        "level_repeat_db": 0.2,
        "neighbors_within_deg": 15.0,
        "polarity_correlation": -0.7,
        "polarity_low_pass_hz": 500.0,
        "non_causal_db": -50.0,
        "non_causal_behind_db": 15.0,
        # Drivers set back and crossovers part bass and treble by up to a period or two of the bass.
        "spread_ms": 5.0,
        "snr_hide_db": 20.0,
        "snr_warn_db": 30.0,
        "orbit_step_deg": 10.0,
        "duplicate_correlation": 0.9999,
        "duplicate_close_correlation": 0.999999,
        "duplicate_above_hz": 2000.0,
        "rear_louder_above_hz": 5000.0,
        # A panel or a column that sounds all around may truly be a little louder behind.
        "rear_louder_db": 3.0,
        "swap_ratio": 0.25,
        "swap_change_db": 0.5,
        "asymmetry_mean_db": 1.0,
        "asymmetry_largest_db": 3.0,
        "asymmetry_within_deg": 60.0,
        "angle_offset_deg": 2.0,
        "reflection_db": -20.0,
        "reflection_match_s": 0.3e-3,
        "reflection_first_s": 1e-3,
        "splice_slope_db_per_octave": 1.5,
        "splice_spread_db": 0.7,
        "splice_gain_db": 1.5,
    }
)
IMPULSE_LEAD_S = 5e-3


@dataclass(frozen=True, slots=True, eq=False)
class TakeFacts:
    """What the checks need to know of one take.

    orbit, angle_deg : None for takes that are on no orbit (near field, level series)
    distance_m : as stated; rate_hz : of the file; peak_fs : largest sample, full scale 1
    clipped_runs : runs of equal samples at the top; arrival_s : time of flight of the direct sound [s]
    arrival_known : False without a loop-back (then the delay proves nothing)
    impulse : (N,) from 5 ms before the arrival, at impulse_rate_hz
    band_level_db : level over the lowest octave the gate allows, referred to 1 m
    non_causal_db : energy ahead of the arrival, re peak
    """

    id: str
    orbit: Orbit | None
    angle_deg: float | None
    distance_m: float
    rate_hz: float
    peak_fs: float
    clipped_runs: int
    arrival_s: float
    arrival_known: bool
    impulse: FloatArray
    impulse_rate_hz: float
    band_level_db: float
    non_causal_db: float

    def __post_init__(self) -> None:
        lock_fields(self, impulse=float)


def by_angle(facts: Sequence[TakeFacts], orbit: Orbit) -> list[int]:
    """Rows of one orbit's facts, by angle; of several at one angle the first."""
    rows: dict[float, int] = {}
    for i, fact in enumerate(facts):
        if fact.orbit == orbit and fact.angle_deg is not None:
            rows.setdefault(round(wrapped_deg(fact.angle_deg), 3), i)
    return [rows[angle] for angle in sorted(rows)]


def wrapped_deg(angle_deg: float) -> float:
    """The same angle in (-180, 180]."""
    return 180.0 - (180.0 - angle_deg) % 360.0
