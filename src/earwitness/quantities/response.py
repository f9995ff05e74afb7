"""Responses in each direction and as a load of an amplifier, and what is off by one amount in a whole session."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from earwitness.quantities.arrays import BoolArray, ComplexArray, FloatArray, FrequencyAxis, lock_fields, require_shape
from earwitness.quantities.directions import Directions


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Cause:
    """One fact of a session that is off by one unknown amount in all its recordings.

    name : "place of woofer"; source : where its size comes from, "1 cm, as a tape measure does"
    pull_db : (D, F) change of every level [dB] when the cause is off by one standard uncertainty, or (1, F) where
        all directions move alike
    part : which of several causes of that name, "near 1 kHz"; "" where there is one
    device : what carries the cause into other sessions, "microphone M1 12"; "" where it belongs to this one alone
    each : True where every direction is off by an amount of its own, the same at all frequencies

    A session's causes are drawn once, each from a standard normal law, and move every curve together; they cancel in
    a difference as far as both sides hold them (JCGM 100:2008, correlated inputs, from memory).
    """

    name: str
    source: str
    pull_db: FloatArray
    part: str = ""
    device: str = ""
    each: bool = False

    def __post_init__(self) -> None:
        lock_fields(self, pull_db=float)
        if self.pull_db.ndim != 2 or not np.isfinite(self.pull_db).all():
            raise ValueError(f"cause {self.name!r} needs finite pulls over directions and frequencies")

    @property
    def alike(self) -> bool:
        """Whether all directions move by the same amount."""
        return bool(self.pull_db.shape[0] == 1) and not self.each

    @property
    def key(self) -> str:
        """What it is in every curve and every session that it moves; "name, part @ device"."""
        return ", ".join(filter(None, (self.name, self.part))) + (f" @ {self.device}" if self.device else "")


CORRELATION_OCTAVES = 1.0
_KNOTS_PER_OCTAVE = 2


def smooth_basis(hz: FloatArray) -> FloatArray:
    """(F, K) rows of unit length; times K independent unit normals they give a smooth unit normal error.

    A Gaussian kernel of half an octave on knots half an octave apart: correlation exp(-(d / 1 octave)^2), own choice.
    """
    x = np.log2(hz)
    knots = np.arange(x[0] - 1.5, x[-1] + 1.5 + 1 / _KNOTS_PER_OCTAVE, 1 / _KNOTS_PER_OCTAVE)
    kernel = np.exp(-(((x[:, None] - knots) / CORRELATION_OCTAVES) ** 2) * 2)
    basis: FloatArray = kernel / np.linalg.norm(kernel, axis=1, keepdims=True)
    return basis


def smooth_causes(
    name: str, source: str, u_db: FloatArray, hz: FloatArray, *, device: str = "", known_hz: float | None = None
) -> tuple[Cause, ...]:
    """What is off by a shape that changes smoothly over frequency, one cause a knot; together they make u_db (F,).

    known_hz : where the shape is known to be 0, as a response is at the frequency of its calibrator; about it u falls
        with sqrt(1 - correlation^2), the conditional normal law (handbook formula)
    """
    basis = smooth_basis(hz)
    if known_hz is not None:
        there = smooth_basis(np.append(hz[:1], [known_hz, hz[-1]]))[1]
        basis = basis - (basis @ there)[:, None] * there
    pulls = (basis * u_db[:, None]).T
    knots = np.log2(hz[0]) - 1.5 + np.arange(len(pulls)) / _KNOTS_PER_OCTAVE
    return tuple(
        Cause(name=name, source=source, pull_db=pull[None, :], part=f"near {2.0**knot:.0f} Hz", device=device)
        for knot, pull in zip(knots, pulls, strict=True)
        if pull.any()
    )


def u_of_causes_db(causes: Sequence[Cause], directions: int, frequencies: int) -> FloatArray:
    """(D, F) standard uncertainty of every level by all causes, root sum of squares [dB]."""
    total = np.zeros((directions, frequencies))
    for cause in causes:
        total += cause.pull_db**2
    return np.asarray(np.sqrt(total), dtype=float)


def pulled_apart(first: Sequence[Cause], second: Sequence[Cause]) -> tuple[Cause, ...]:
    """Causes of a difference of two curves: where both hold one, the difference of its pulls; none that cancels."""
    other = {cause.key: cause for cause in second}
    kept: list[Cause] = []
    for cause in first:
        twin = other.pop(cause.key, None)
        pull = cause.pull_db if twin is None else cause.pull_db - twin.pull_db
        if pull.any():
            kept.append(replace(cause, pull_db=pull))
    kept += [replace(cause, pull_db=-cause.pull_db) for cause in other.values() if cause.pull_db.any()]
    return tuple(kept)


def of_devices(causes: Sequence[Cause]) -> tuple[Cause, ...]:
    """Those that a second session holds too, where it used the same device."""
    return tuple(cause for cause in causes if cause.device)


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
