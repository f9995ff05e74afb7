"""Up to how many degrees the balance through a crossover stays as it is on axis: for rows, heights, and seats across.

Two drivers one above the other cancel off the axis where both play, around their crossover. The window is the largest
angle on a side up to which the level, as energy of a third octave, stays within a change of that on axis, from half
the crossover frequency to twice it (own definition). Between measured angles the pressure itself is interpolated, for
its level falls into a null between two angles that both lie beside it.
"""

import math
import zlib
from dataclasses import dataclass
from typing import Final

import numpy as np

from earwitness.errors import InputError
from earwitness.quantities import BoolArray, DirectionalResponse, FloatArray, Orbit, on_orbit

CHANGE_DB: Final = 2.0
SEARCH_HZ: Final = (500.0, 5000.0)
SEARCH_DEG: Final = 20.0
STEP_DEG: Final = 0.5
MOST_DEG: Final = 60.0
WIDEST_STEP_DEG: Final = 15.0
DRAWS: Final = 100
NEAR_DEG: Final = 30.0
MOST_MISSED: Final = 0.6
_POINTS_PER_OCTAVE: Final = 12
_LEAST_U_DEG: Final = 0.1
SHARE_OF_COARSER: Final = 0.3
BETWEEN_DB: Final = 0.1
SIDES: Final = {"vertical": ("down", "up"), "horizontal": ("right", "left")}


@dataclass(frozen=True, slots=True)
class Side:
    """One side of the window. angle_deg : from the axis; u_deg : standard uncertainty; is_bound : the balance holds as
    far as it was measured, so the window is at least that wide."""

    name: str
    angle_deg: float
    u_deg: float
    is_bound: bool


@dataclass(frozen=True, slots=True)
class BalanceWindow:
    """The window of an orbit. crossover_hz : that it was sought around; is_inferred : it was read off the deepest
    cancellation near the axis and not stated."""

    orbit: Orbit
    change_db: float
    crossover_hz: float
    is_inferred: bool
    sides: tuple[Side, Side]

    def sentence(self, distance_m: float) -> str:
        """For people, with heights or widths at a distance."""
        low, high = self.sides
        around = f"Through the crossover at {self.crossover_hz:.0f} Hz"
        if self.is_inferred:
            around = f"Around {float(f'{self.crossover_hz:.2g}'):.0f} Hz, where the sound falls most beside the axis,"
        parts = " and ".join(f"{_angle(one)} {one.name}" for one in (high, low))
        far = " and ".join(
            f"{'at least ' if one.is_bound else ''}{distance_m * math.tan(math.radians(one.angle_deg)):.2f} m "
            f"{one.name}"
            for one in (high, low)
        )
        return (
            f"{around} the balance stays within {self.change_db:g} dB of that on axis for {parts}; "
            f"at {distance_m:g} m that is {far}."
        )


def _angle(one: Side) -> str:
    if one.is_bound:
        return f"at least {one.angle_deg:.0f}°"
    return f"{one.angle_deg:.1f} ± {max(2.0 * one.u_deg, 0.1):.1f}°"


def balance_window(
    response: DirectionalResponse,
    *,
    orbit: Orbit = "vertical",
    change_db: float = CHANGE_DB,
    crossover_hz: float | None = None,
) -> BalanceWindow:
    """The window of a loudspeaker. crossover_hz : None to read it off the deepest cancellation within 20 degrees.

    Uncertainty: 100 draws of what each direction has for itself, and 0.3 of what the angles read with every second
    direction left out differ by, or a quarter of what a level two u higher and lower moves, whichever is more (own
    choice, held against random pairs of drivers). Raises InputError where the orbit, its phase or the band is not
    known, or its steps too wide for what beats between them, for a change that is not 0.5 to 12 dB, and where
    nothing cancels near the axis.
    """
    if not 0.5 <= change_db <= 12.0:
        raise InputError(f"a change of {change_db:g} dB", expected="0.5 to 12 dB")
    rows, angle = on_orbit(response.directions, orbit)
    known = known_near(response, rows, angle)
    angle, pressure, u_db = angle[known], response.pressure[rows[known]], response.u_apart_db()[rows[known]]
    fine, lines = fine_lines(angle)
    hz = response.axis.hz
    asked = crossover_hz is not None
    if crossover_hz is None:
        crossover_hz = _deepest_hz(hz, energy_of(lines @ pressure), fine, change_db, response.valid[rows[known]])
    band = np.asarray(crossover_hz * 2.0 ** (np.arange(-12, 13) / _POINTS_PER_OCTAVE), dtype=np.float64)
    valid = response.valid[rows[known]][:, (hz >= band[0]) & (hz <= band[-1])]
    if hz[0] > band[0] / 1.2 or hz[-1] < band[-1] * 1.2 or not valid.all():
        raise InputError(f"the directions are not known from {band[0]:.0f} Hz to {band[-1]:.0f} Hz")
    inside = (hz >= band[0] / 1.2) & (hz <= band[-1] * 1.2)
    pressure, u_db = pressure[:, inside], u_db[:, inside]
    smooth = third_octaves(hz[inside], band)
    missed = _missed(angle, pressure, energy_of(lines @ pressure).max())
    if missed > MOST_MISSED:
        raise InputError(
            "the angles stand too far apart to tell what lies between them",
            remedy="measure in smaller steps near the axis, 5° for large loudspeakers",
        )
    measured = _reached(energy_of(lines @ pressure) @ smooth.T, fine, change_db)
    coarser = _reached(energy_of(fine_lines(angle, every=2)[1] @ pressure) @ smooth.T, fine, change_db)
    random = np.random.default_rng([zlib.crc32(orbit.encode()), len(angle)])
    sizes = 10.0 ** (random.standard_normal((DRAWS, len(angle), 1)) * u_db / 20.0)
    drawn = np.array([_reached(energy_of(lines @ (pressure * size)) @ smooth.T, fine, change_db)[0] for size in sizes])
    # What a level two of its u higher or lower moves: the edge of another lobe, say.
    energy, off_db = energy_of(lines @ pressure) @ smooth.T, 2.0 * math.hypot(math.sqrt(2.0) * u_db.mean(), BETWEEN_DB)
    nearer = _reached(energy, fine, max(change_db - off_db, 0.1))[0]
    farther = _reached(energy, fine, change_db + off_db)[0]
    sides = []
    for place, name in enumerate(SIDES[orbit]):
        found, is_bound = measured[0][place], measured[1][place]
        between = min(SHARE_OF_COARSER * abs(coarser[0][place] - found), WIDEST_STEP_DEG)
        jump = abs(farther[place] - nearer[place]) / 4.0
        u_deg = max(math.hypot(float(np.std(drawn[:, place])), between, _LEAST_U_DEG), jump)
        sides.append(Side(name, float(found), u_deg, bool(is_bound)))
    return BalanceWindow(orbit, change_db, float(crossover_hz), not asked, (sides[0], sides[1]))


def known_near(response: DirectionalResponse, rows: np.typing.NDArray[np.intp], angle: FloatArray) -> BoolArray:
    """(A,) angles of an orbit near the axis that are known. InputError where these do not tell what lies between."""
    if response.phase != "common":
        raise InputError("the directions share no time, so nothing is known between their angles")
    near = np.abs(angle) <= MOST_DEG + 1e-6
    if near.sum() < 5 or not np.any(np.abs(angle[near]) < 0.5):
        raise InputError("the orbit was not measured within 60° of the axis")
    if np.diff(angle[near]).max() > WIDEST_STEP_DEG:
        raise InputError(f"the angles near the axis lie more than {WIDEST_STEP_DEG:g}° apart")
    return np.asarray(near & response.valid[rows].any(axis=1), dtype=bool)


def fine_lines(angle: FloatArray, *, every: int = 1) -> tuple[FloatArray, FloatArray]:
    """(G,) fine angles and (G, A) what each measured one gives to them, by a cubic spline through every one or every
    second; the axis is always one of them."""
    from scipy.interpolate import CubicSpline

    axis = int(np.argmin(np.abs(angle)))
    used = np.flatnonzero((np.arange(angle.size) - axis) % every == 0)
    low, high = np.ceil(angle[0] / STEP_DEG - 1e-6), np.floor(angle[-1] / STEP_DEG + 1e-6)
    fine = np.arange(low, high + 0.5) * STEP_DEG
    made = np.zeros((fine.size, angle.size))
    made[:, used] = CubicSpline(angle[used], np.eye(used.size))(fine)
    return np.asarray(fine, dtype=np.float64), made


def _missed(angle: FloatArray, pressure: np.typing.NDArray[np.complex128], most: float) -> float:
    """Share of the sound, at worst over frequency, by which a direction near the axis is missed when it is read off
    the others: drivers far apart beat faster over angle than wide steps can follow."""
    from scipy.interpolate import CubicSpline

    near = np.flatnonzero(np.abs(angle) <= NEAR_DEG)
    near = near[(near > 0) & (near < angle.size - 1)]
    wrong = np.zeros((near.size, pressure.shape[1]))
    for place, row in enumerate(near):
        others = np.delete(np.arange(angle.size), row)
        guess = CubicSpline(angle[others], pressure[others])(angle[row])
        wrong[place] = np.abs(guess - pressure[row]) ** 2
    return float(np.sqrt(np.mean(wrong, axis=0).max() / most))


def energy_of(pressure: np.typing.NDArray[np.complex128]) -> FloatArray:
    """Squares of the pressures, of the same shape."""
    return np.asarray(pressure.real**2 + pressure.imag**2, dtype=np.float64)


def third_octaves(hz: FloatArray, wanted_hz: FloatArray) -> FloatArray:
    """(K, F) weights of the energy mean over a third octave around wanted_hz (K,), even over log frequency."""
    width = np.gradient(np.log2(hz))
    # A point at the edge counts by the part of its own width that lies inside.
    inside = np.clip(0.5 + (1.0 / 6.0 - np.abs(np.log2(hz) - np.log2(wanted_hz)[:, None])) / width, 0.0, 1.0)
    weights = inside * width
    return np.asarray(weights / weights.sum(axis=1, keepdims=True), dtype=np.float64)


def _change_db(energy: FloatArray, fine: FloatArray) -> FloatArray:
    """(G, K) level over that on axis."""
    axis = int(np.argmin(np.abs(fine)))
    return np.asarray(10.0 * np.log10(np.maximum(energy, 1e-30) / energy[axis]), dtype=np.float64)


def _reached(energy: FloatArray, fine: FloatArray, change_db: float) -> tuple[tuple[float, float], tuple[bool, bool]]:
    """Angles up to which no frequency changes by more, to the lower and to the upper side; whether that is the end."""
    worst = np.abs(_change_db(energy, fine)).max(axis=1)
    axis = int(np.argmin(np.abs(fine)))
    found, ends = [], []
    for way in (-1, 1):
        side = worst[axis::way]
        beyond = np.flatnonzero(side > change_db)
        if not beyond.size:
            found.append(abs(float(fine[0 if way < 0 else -1])))
        else:
            after = int(beyond[0])
            part = (change_db - side[after - 1]) / (side[after] - side[after - 1])
            found.append((after - 1 + float(part)) * STEP_DEG)
        ends.append(not beyond.size)
    return (found[0], found[1]), (ends[0], ends[1])


def _deepest_hz(hz: FloatArray, energy: FloatArray, fine: FloatArray, change_db: float, valid: BoolArray) -> float:
    """Where the level falls most near the axis. InputError where nothing there changes by change_db."""
    inside = (hz >= SEARCH_HZ[0]) & (hz <= SEARCH_HZ[1]) & valid.all(axis=0)
    if inside.sum() < 8:
        raise InputError(f"the directions are not known from {SEARCH_HZ[0]:.0f} Hz to {SEARCH_HZ[1]:.0f} Hz")
    wanted = hz[inside]
    near = np.abs(fine) <= SEARCH_DEG
    change = _change_db(energy @ third_octaves(hz, wanted).T, fine)[near].min(axis=0)
    if change.min() > -change_db:
        raise InputError.of("insight.nothing_cancels_db", change_db=change_db, search_deg=SEARCH_DEG)
    # Of those that are alike the lowest, whatever the last bits say.
    return float(wanted[int(np.argmin(np.round(change, 6)))])
