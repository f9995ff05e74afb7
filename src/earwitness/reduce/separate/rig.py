"""What may be off in the way a scan was made, as unknowns with priors, and what each does to the pressures.

Every unknown is counted in units of its prior standard deviation. A gain, a delay or a radius that all points of one of
two concentric surfaces share can't be seen in what separation leaves unexplained: it is told by the sound before the
first reflection or by surfaces that cross, or it stands in the uncertainty. Drifts are a random walk from 0 by its
Karhunen-Loeve functions sqrt(2) sin((q - 1/2) pi t) / ((q - 1/2) pi) (handbook, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from earwitness.quantities import BoolArray, ComplexArray, FloatArray, IntArray

DRIFT_MODES = 8
_NEPER_PER_DB = np.log(10) / 20
_NEIGHBORS = 12
_TWO_SIDED = 0.9
_TURNS = 6
_SPHERE = 0.004
_SAME_M = 0.002
_RADIUS_SHARES = (0.8, 0.6)


@dataclass(frozen=True, slots=True)
class Tolerances:
    """Prior standard deviations (choices of this program; stated values take their place).

    gain_db, clock_s : of one pass against the first; stop_gain_db : of a pass's radii against its first; radius_m : of
    each radius, most of it alike for all; speed : of the speed of sound, relative; shift_m, tilt_rad : of one pass
    against the first, each axis; gain_drift_db, clock_drift_s : at the end of the scan; place_m : of single points
    along one axis;
    scatter_db : of the gain between points.
    """

    gain_db: float = 0.2
    stop_gain_db: float = 0.02
    clock_s: float = 5e-6
    radius_m: float = 2e-3
    speed: float = 3e-3
    shift_m: float = 1e-3
    tilt_rad: float = np.pi / 900
    gain_drift_db: float = 0.3
    clock_drift_s: float = 20e-6
    place_m: float = 1e-3
    scatter_db: float = 0.1

    def in_turns(self) -> Tolerances:
        """Where one microphone visits the surfaces in turns: a gain that parts two passes is smaller."""
        return replace(self, gain_db=min(self.gain_db, 0.1))

    def monitored(self) -> Tolerances:
        """Where a second microphone told the drifts of source, converter and clock: the microphones' own are left."""
        return replace(self, gain_drift_db=min(self.gain_drift_db, 0.1), clock_drift_s=min(self.clock_drift_s, 1e-6))


@dataclass(frozen=True, slots=True)
class Unknown:
    """kind : gain, stop gain, clock, radius, arm (all radii), speed, shift, tilt, gain drift or clock drift; surface,
    or pass, and axis where it has one; mode of a drift from 1; size : prior standard deviation in dB, seconds, meters,
    radians or as a share."""

    kind: str
    surface: int
    axis: int
    size: float
    words: str


@dataclass(frozen=True, slots=True, eq=False)
class Rig:
    """How a scan was made: surface (P,) of each point from 0, the pass (P,) that visited it, its outward normal (P, 3),
    time (P,) of its visit, 0 to 1 over the scan; names of surfaces and passes; in_turns : whether passes were visited
    so. Surfaces "outer 1" and "outer 2" belong to the pass "outer"."""

    surface: IntArray
    passed: IntArray
    normal: FloatArray
    time: FloatArray
    names: tuple[str, ...]
    passes: tuple[str, ...]
    in_turns: bool

    def taken(self, rows: IntArray) -> Rig:
        """The rig of some points."""
        return replace(
            self, surface=self.surface[rows], passed=self.passed[rows], normal=self.normal[rows], time=self.time[rows]
        )  # fmt: skip


def rig_of(points_m: FloatArray, surfaces: tuple[str, ...], time: FloatArray, center_m: FloatArray) -> Rig:
    """Surfaces as named, or as the points' radii part them; points (P, 3), time (P,)."""
    away = points_m - center_m
    names = tuple(dict.fromkeys(surfaces))
    if len(names) > 1:
        surface = np.array([names.index(one) for one in surfaces])
    else:
        surface = _parted(away)
        names = ("inner surface", "outer surface") if surface.any() else ("surface",)
    normal = np.zeros_like(away)
    for one in range(len(names)):
        normal[surface == one] = _normals(away[surface == one])
    called = [name.rstrip("0123456789").strip() or name for name in names]
    passes = tuple(dict.fromkeys(called))
    passed = np.array([passes.index(one) for one in called])[surface]
    visited = passed[np.argsort(time, kind="stable")]
    changes = int(np.sum(np.diff(visited) != 0))
    return Rig(surface, passed, normal, time, names, passes=passes, in_turns=changes >= max(_TURNS, 2 * len(passes)))


def _parted(away: FloatArray) -> IntArray:
    """(P,) 0 inside, 1 outside, where the radii of neighboring directions fall into two; else all 0."""
    from scipy.spatial import cKDTree

    if len(away) <= _NEIGHBORS:
        return np.zeros(len(away), dtype=np.int64)
    radius = np.linalg.norm(away, axis=1)
    unit = away / radius[:, None]
    near = cKDTree(unit).query(unit, k=_NEIGHBORS + 1)[1]
    low, high = radius[near].min(axis=1), radius[near].max(axis=1)
    share = (radius - low) / np.maximum(high - low, 1e-9)
    deep = np.median((high - low) / radius) > 0.02
    clear = np.mean(np.abs(share - 0.5) > 0.25) > _TWO_SIDED
    return (share > 0.5).astype(np.int64) if deep and clear else np.zeros(len(away), dtype=np.int64)


def _normals(away: FloatArray) -> FloatArray:
    """Outward normals: of a sphere about the middle, of an upright cylinder with caps, else along the radius."""
    radius, flat = np.linalg.norm(away, axis=1), np.hypot(away[:, 0], away[:, 1])
    radial = away / radius[:, None]
    if np.ptp(radius) <= _SPHERE * np.median(radius):
        return np.asarray(radial, dtype=float)
    wall, height = float(np.quantile(flat, 0.98)), float(np.quantile(np.abs(away[:, 2]), 0.98))
    on_wall, on_cap = np.abs(flat - wall) < _SAME_M, np.abs(np.abs(away[:, 2]) - height) < _SAME_M
    if not (on_wall | on_cap).mean() > _TWO_SIDED:
        return np.asarray(radial, dtype=float)
    side = np.stack([away[:, 0] / np.maximum(flat, 1e-9), away[:, 1] / np.maximum(flat, 1e-9), 0 * flat], axis=1)
    cap = np.stack([0 * flat, 0 * flat, np.sign(away[:, 2])], axis=1)
    return np.where(on_cap[:, None], cap, side)


def unknowns_of(rig: Rig, tolerances: Tolerances) -> tuple[Unknown, ...]:
    """All that may be off in a rig, in a fixed order."""
    # An arm told too long makes all radii too large; what it measures wrong from stop to stop is less.
    alike, each = (share * tolerances.radius_m for share in _RADIUS_SHARES)
    found = [Unknown("arm", -1, -1, alike, "all radii")]
    found += [Unknown("radius", s, -1, each, f"radius of the {name}") for s, name in enumerate(rig.names)]
    first = {name: rig.passed[rig.surface == s][0] for s, name in enumerate(rig.names)}
    for s, name in enumerate(rig.names):
        if name not in [next(n for n in rig.names if first[n] == one) for one in range(len(rig.passes))]:
            found.append(Unknown("stop gain", s, -1, tolerances.stop_gain_db, f"gain on the {name}"))
    for s, name in enumerate(rig.passes):
        if s == 0:
            continue
        found.append(Unknown("gain", s, -1, tolerances.gain_db, f"gain on the {name}"))
        found.append(Unknown("clock", s, -1, tolerances.clock_s, f"delay on the {name}"))
        for axis, way in enumerate(("forward", "to the left", "up")):
            found.append(Unknown("shift", s, axis, tolerances.shift_m, f"shift of the {name} {way}"))
        for axis, way in enumerate(("forward axis", "sideways axis", "upright axis")):
            found.append(Unknown("tilt", s, axis, tolerances.tilt_rad, f"turn of the {name} about the {way}"))
    found.append(Unknown("speed", -1, -1, tolerances.speed, "speed of sound"))
    for q in range(1, DRIFT_MODES + 1):
        found.append(Unknown("gain drift", -1, q, tolerances.gain_drift_db, "drift of the gain"))
        found.append(Unknown("clock drift", -1, q, tolerances.clock_drift_s, "drift of the clock"))
    return tuple(found)


def drift_mode(time: FloatArray, mode: int) -> FloatArray:
    """Karhunen-Loeve function of a random walk from 0 that has variance 1 at time 1; mode from 1."""
    turn = (mode - 0.5) * np.pi
    return np.asarray(np.sqrt(2) * np.sin(turn * time) / turn, dtype=float)


def effects(
    rig: Rig,
    unknowns: tuple[Unknown, ...],
    points_m: FloatArray,
    field: ComplexArray,
    slope: ComplexArray,
    omega: float,
) -> ComplexArray:
    """(P, U) change of the pressures for one prior standard deviation of each unknown.

    points_m (P, 3) from the middle; field (P,) and its gradient slope (P, 3) as fitted, never as measured: the noise
    of the data would be found in them again.
    """
    out = np.empty((len(field), len(unknowns)), dtype=np.complex128)
    for u, one in enumerate(unknowns):
        there = _there(rig, one)
        if one.kind in ("gain", "stop gain", "clock"):
            step = -1j * omega * one.size if one.kind == "clock" else one.size * _NEPER_PER_DB
            out[:, u] = step * there * field
        elif one.kind in ("gain drift", "clock drift"):
            step = one.size * _NEPER_PER_DB if one.kind == "gain drift" else -1j * omega * one.size
            out[:, u] = step * drift_mode(rig.time, one.axis) * field
        else:
            moved = moves(rig, one, points_m) * there[:, None]
            out[:, u] = one.size * np.einsum("pi,pi->p", moved, slope)
    return out


def _there(rig: Rig, one: Unknown) -> BoolArray:
    """(P,) the points that an unknown is about."""
    if one.surface < 0:
        return np.ones(rig.surface.size, dtype=bool)
    own = rig.surface if one.kind in ("radius", "stop gain") else rig.passed
    return np.asarray(own == one.surface, dtype=bool)


def moves(rig: Rig, one: Unknown, points_m: FloatArray) -> FloatArray:
    """(P, 3) how points move for one unit of a place's unknown; a wrong speed acts as a wrong scale does."""
    if one.kind in ("radius", "arm"):
        return rig.normal
    if one.kind == "speed":
        return -points_m
    axis = np.eye(3)[one.axis]
    return np.tile(axis, (len(points_m), 1)) if one.kind == "shift" else np.cross(axis, points_m)


@dataclass(frozen=True, slots=True, eq=False)
class Corrections:
    """What is taken off: gain (P,) natural logarithm, delay_s (P,), normal_m (P,) along the normals, speed share,
    offset_m (P, 3) by shifts and turns."""

    gain: FloatArray
    delay_s: FloatArray
    normal_m: FloatArray
    speed: float
    offset_m: FloatArray

    @property
    def moved(self) -> BoolArray:
        return np.asarray(np.linalg.norm(self.offset_m, axis=1) > 0, dtype=bool)


def corrections(rig: Rig, unknowns: tuple[Unknown, ...], theta: FloatArray, points_m: FloatArray) -> Corrections:
    """What theta (U,) says about every point."""
    count = len(points_m)
    gain, delay, normal, offset, speed = np.zeros(count), np.zeros(count), np.zeros(count), np.zeros((count, 3)), 0.0
    for value, one in zip(theta, unknowns, strict=True):
        amount, there = value * one.size, _there(rig, one)
        if one.kind in ("gain", "stop gain"):
            gain += amount * _NEPER_PER_DB * there
        elif one.kind == "clock":
            delay += amount * there
        elif one.kind == "gain drift":
            gain += amount * _NEPER_PER_DB * drift_mode(rig.time, one.axis)
        elif one.kind == "clock drift":
            delay += amount * drift_mode(rig.time, one.axis)
        elif one.kind in ("radius", "arm"):
            normal += amount * there
        elif one.kind == "speed":
            speed += float(amount)
        else:
            offset += amount * moves(rig, one, points_m) * there[:, None]
    return Corrections(gain, delay, normal, speed, offset)
