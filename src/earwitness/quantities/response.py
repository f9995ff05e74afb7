"""Responses: what a loudspeaker radiates in each direction, and how it loads an amplifier."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from earwitness.quantities.arrays import BoolArray, ComplexArray, FloatArray, FrequencyAxis, lock_fields, require_shape
from earwitness.quantities.causes import Cause, u_of_causes_db
from earwitness.quantities.directions import Directions

PhaseKind = Literal["common", "own", "none"]
REFERENCE_PRESSURE_PA = 20e-6
REFERENCE_VOLTAGE_V = 2.83


@dataclass(frozen=True, slots=True, eq=False)
class DirectionalResponse:
    """Free-field pressure per volt at 1 m, far-field referred, over directions.

    pressure : (D, F) complex [Pa/V], exp(+j omega t), one time base for all directions (zero when sound leaves
        the reference point)
    u_db : (D, F) standard uncertainty of each direction alone, without known causes [dB]
    u_common_db : (F,) standard uncertainty shared by all directions, without known causes [dB]
    valid : (D, F) bool
    absolute : False when the level has no calibration (then no SPL may be stated)
    distance_m : where the microphones stood, for the record (values are referred to 1 m)
    reference_v, reference : rms voltage that levels are stated for, and in words where it is no 2.83 V at terminals
    phase : "common" where all directions share one time, "own" where each has its own, "none" where only levels are
        known (then the pressure is real)
    causes : what is off by one amount in the whole session, beside u_db and u_common_db
    half_space : the loudspeaker sat flush in a wall or a large baffle, and only what lies before it was measured
    """

    axis: FrequencyAxis
    directions: Directions
    pressure: ComplexArray
    u_db: FloatArray
    u_common_db: FloatArray
    valid: BoolArray
    absolute: bool = True
    distance_m: float = 1.0
    lineage: tuple[str, ...] = ()
    causes: tuple[Cause, ...] = ()
    phase: PhaseKind = "common"
    reference_v: float = REFERENCE_VOLTAGE_V
    reference: str = ""
    half_space: bool = False

    def __post_init__(self) -> None:
        lock_fields(self, pressure=complex, u_db=float, u_common_db=float, valid=bool)
        shape = (len(self.directions), len(self.axis))
        for name in ("pressure", "u_db", "valid"):
            require_shape("DirectionalResponse", name, getattr(self, name), shape)
        require_shape("DirectionalResponse", "u_common_db", self.u_common_db, shape[1:])
        for cause in self.causes:
            if cause.pull_db.shape not in (shape, (1, shape[1])):
                raise ValueError(f"cause {cause.name!r} does not stand on the response's directions and frequencies")
        if not np.isfinite(self.pressure[self.valid]).all():
            raise ValueError("the response holds values that are not numbers where it says it is valid")

    def level_db(self, voltage_v: float | None = None) -> FloatArray:
        """(D, F) sound pressure level at 1 m for `voltage_v` rms, None for reference_v [dB re 20 uPa]; -inf where
        pressure is 0."""
        voltage_v = self.reference_v if voltage_v is None else voltage_v
        with np.errstate(divide="ignore"):
            return 20 * np.log10(np.abs(self.pressure) * voltage_v / REFERENCE_PRESSURE_PA)

    def u_total_db(self) -> FloatArray:
        """(D, F) standard uncertainty of every level, all its parts together [dB]."""
        return np.hypot(self.u_apart_db(), self.u_shared_db())

    def u_apart_db(self) -> FloatArray:
        """(D, F) standard uncertainty of every level by what does not move all directions alike [dB]."""
        apart = [cause for cause in self.causes if not cause.alike]
        return np.hypot(self.u_db, u_of_causes_db(apart, *self.pressure.shape))

    def u_shared_db(self) -> FloatArray:
        """(F,) standard uncertainty of every level by what moves all directions alike [dB]; cancels in differences."""
        alike = [cause for cause in self.causes if cause.alike]
        u_db: FloatArray = np.hypot(self.u_common_db, u_of_causes_db(alike, 1, len(self.axis))[0])
        return u_db


@dataclass(frozen=True, slots=True, eq=False)
class Impedance:
    """Electrical input impedance.

    ohm : (F,) complex [ohm]; u_ohm : (F,) standard uncertainty of the magnitude; u_deg : (F,) of the phase.
    """

    axis: FrequencyAxis
    ohm: ComplexArray
    u_ohm: FloatArray
    u_deg: FloatArray
    valid: BoolArray
    lineage: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        lock_fields(self, ohm=complex, u_ohm=float, u_deg=float, valid=bool)
        for name in ("ohm", "u_ohm", "u_deg", "valid"):
            require_shape("Impedance", name, getattr(self, name), self.axis.hz.shape)
