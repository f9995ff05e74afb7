"""What was read from a measurement: curves, maps and figures by key."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from earwitness.quantities.arrays import BoolArray, FloatArray, Locked, lock_fields, require_shape
from earwitness.quantities.axis import FrequencyAxis
from earwitness.quantities.curve import Curve
from earwitness.quantities.figure import Figure


@dataclass(frozen=True, slots=True, eq=False)
class DirectivityMap:
    """Level over angle and frequency on one orbit, relative to the reference axis.

    angle_deg : (A,) rising, -180 excluded, 180 included; level_db : (A, F); valid : (A, F)
    reference : what 0 dB means
    """

    orbit: Literal["horizontal", "vertical"]
    axis: FrequencyAxis
    angle_deg: FloatArray
    level_db: FloatArray
    valid: BoolArray
    reference: str

    def __post_init__(self) -> None:
        lock_fields(self, angle_deg=float, level_db=float, valid=bool)
        shape = (self.angle_deg.size, len(self.axis))
        require_shape("DirectivityMap", "level_db", self.level_db, shape)
        require_shape("DirectivityMap", "valid", self.valid, shape)


@dataclass(frozen=True, slots=True, eq=False)
class Reading(Locked):
    """Curves and figures by key, maps by orbit; `missing` says why a curve is not there."""

    curves: Mapping[str, Curve]
    figures: Mapping[str, Figure]
    maps: Mapping[str, DirectivityMap]
    missing: Mapping[str, str]
    choices: Mapping[str, str]
