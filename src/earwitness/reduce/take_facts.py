"""What the checks of the recordings hold on to: the facts of a take, and the one table of limits."""

from collections.abc import Sequence
from dataclasses import dataclass

from earwitness.quantities.arrays import FloatArray, Locked
from earwitness.quantities.directions import Orbit
from earwitness.reduce.flags import limits

# Project defaults, common practice where no standard says otherwise.
THRESHOLDS = limits("takes")
IMPULSE_LEAD_S = 5e-3


@dataclass(frozen=True, slots=True, eq=False)
class TakeFacts(Locked):
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
