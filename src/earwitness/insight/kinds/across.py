"""Centers, whose drivers lie side by side, and coaxial drivers, which have no side: what lies across."""

import math
from typing import Final

import numpy as np

from earwitness.errors import InputError
from earwitness.files.data import worded
from earwitness.insight.kinds.reading import KindReading, Rows, figure_of, plus_minus
from earwitness.insight.match.window import (
    BETWEEN_DB,
    SHARE_OF_COARSER,
    balance_window,
    energy_of,
    fine_lines,
    known_near,
    third_octaves,
)
from earwitness.quantities import Curve, DirectionalResponse, on_orbit
from earwitness.quantities.arrays import FloatArray
from earwitness.session.record import Loudspeaker

# Places on a sofa beside the middle one, and where drivers side by side leave holes (own choices).
SEATS_M: Final = (0.3, 0.6, 0.9, 1.2)
HOLE_HZ: Final = (300.0, 5000.0)
ALIKE_HZ: Final = (500.0, 10_000.0)
_CLEAR_DB: Final = 3.0
_SAME_PLACE_M: Final = 0.005


def seat_lobing(
    response: DirectionalResponse, distance_m: float, band_hz: tuple[float, float] = HOLE_HZ
) -> tuple[Rows, tuple[Curve, ...]]:
    """Deepest third octave at seats beside the middle one against that, and the level there over frequency [dB].

    Of left and right the deeper one. Third-octave energies of the pressure, interpolated over angle by a cubic spline.
    Uncertainty: that of two directions, and 0.3 of what the level reads with every second direction left out (own
    choice, as in the window). InputError as `balance_window`.
    """
    rows, angle = on_orbit(response.directions, "horizontal")
    known = known_near(response, rows, angle)
    angle, rows = angle[known], rows[known]
    hz, valid = response.axis.hz, np.asarray(response.valid[rows].all(axis=0))
    inside = np.flatnonzero(valid & (hz >= band_hz[0]) & (hz <= band_hz[1]))
    if not inside.size:
        raise InputError(f"the directions are not known from {band_hz[0]:.0f} Hz to {band_hz[1]:.0f} Hz")
    pressure, smooth, u_db = response.pressure[rows], third_octaves(hz, hz).T, response.u_apart_db()[rows]
    (fine, every), (_, second) = fine_lines(angle), fine_lines(angle, every=2)
    near, far = (10.0 * np.log10(np.maximum(energy_of(one @ pressure) @ smooth, 1e-30)) for one in (every, second))
    found, curves = [], []
    for seat_m in SEATS_M:
        away = math.degrees(math.atan2(seat_m, distance_m))
        sides = {
            side * away: [_at(level, fine, side * away) - _at(level, fine, 0.0) for level in (near, far)]
            for side in (-1, 1)
        }
        toward = min(sides, key=lambda one: float(sides[one][0][inside].min()))
        db, coarse = sides[toward]
        beside = u_db[int(np.argmin(np.abs(angle - toward)))], u_db[int(np.argmin(np.abs(angle)))]
        u = np.hypot(np.hypot(*beside), SHARE_OF_COARSER * np.abs(db - coarse)) + BETWEEN_DB
        name = f"{seat_m:g} m {'left' if toward > 0 else 'right'} of the middle"
        deepest = int(inside[np.argmin(db[inside])])
        note = f"at {float(f'{hz[deepest]:.2g}'):.0f} Hz, {away:.0f}° off the axis"
        found.append((name, figure_of("seat_lobing", db[deepest], u[deepest], note)))
        reference = "dB against the middle seat, third octaves"
        curves.append(Curve.of(f"seat_{seat_m:g}", name, response.axis, db, valid, u=u, reference=reference))
    return tuple(found), tuple(curves)


def _at(level: FloatArray, fine: FloatArray, angle_deg: float) -> FloatArray:
    """(F,) of levels (G, F) at an angle between the fine ones."""
    place = int(np.clip(np.searchsorted(fine, angle_deg), 1, fine.size - 1))
    part = (angle_deg - fine[place - 1]) / (fine[place] - fine[place - 1])
    return np.asarray((1.0 - part) * level[place - 1] + part * level[place], dtype=np.float64)


def center(response: DirectionalResponse, *, distance_m: float) -> KindReading:
    """Holes over the seats, and the window across."""
    rows, curves = seat_lobing(response, distance_m)
    told = (rows[3], rows[1])
    said = [worded("insight.seat_lobing", where=at, size=plus_minus(one), note=one.caveats[0]) for at, one in told]
    is_deep = any((one.value or 0.0) + 2.0 * (one.u or 0.0) < -_CLEAR_DB for _, one in rows)
    said.append(worded("insight.center_turned") if is_deep else worded("insight.center_even"))
    try:
        said.append(f"Across: {balance_window(response, orbit='horizontal').sentence(distance_m)}")
    except InputError as error:
        said.append(f"A window across is not stated: {error.what}.")
    return KindReading("center", rows, tuple(said), curves)


def is_coaxial(loudspeaker: Loudspeaker) -> bool:
    """Whether one driver sits in another's middle, by their places."""
    places = [one.position_m[1:] for one in loudspeaker.drivers if one.kind in ("cone", "dome", "horn", "ribbon")]
    return any(math.dist(one, two) < _SAME_PLACE_M for i, one in enumerate(places) for two in places[:i])


def coaxial(response: DirectionalResponse) -> KindReading:
    """How alike both orbits are: rms over 10 to 60 degrees and frequency of horizontal less vertical, each the mean
    energy of its halves, in third octaves [dB]. InputError where the orbits share fewer than three such angles.

    Uncertainty: rms of that of the two means, as if all angles erred together, which an average does not exceed.
    """
    hz = response.axis.hz
    inside = (hz >= ALIKE_HZ[0]) & (hz <= ALIKE_HZ[1])
    level = energy_of(response.pressure) @ third_octaves(hz, hz[inside]).T
    square, apart, doubts = response.u_apart_db()[:, inside] ** 2, [], []
    on = [on_orbit(response.directions, "horizontal"), on_orbit(response.directions, "vertical")]
    for angle in np.arange(10.0, 61.0, 10.0):
        halves = [rows[np.abs(np.abs(angles) - angle) < 0.5] for rows, angles in on]
        if all(rows.size and response.valid[np.ix_(rows, inside)].all() for rows in halves):
            across, upright = (level[rows].mean(axis=0) for rows in halves)
            apart.append(10.0 * np.log10(across / upright))
            doubts.append(sum(square[rows].mean(axis=0) / rows.size for rows in halves))
    if len(apart) < 3:
        raise InputError("horizontal and vertical orbit share too few angles up to 60°, 500 Hz to 10 kHz")
    alike = figure_of("orbit_difference", np.sqrt(np.mean(np.square(apart))), np.sqrt(np.mean(doubts)))
    said = worded("insight.orbits_alike", size=plus_minus(alike))
    return KindReading("coaxial", (("10° to 60°, 500 Hz to 10 kHz", alike),), (said,))
