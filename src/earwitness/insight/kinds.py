"""What a loudspeaker of a kind is read for beside what every loudspeaker is: line sources and soundbars, horns for
large rooms, loudspeakers that a wall belongs to, centers and coaxial drivers."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from earwitness.dsp.spherical import cap_diffraction, equal_volume_radius_m
from earwitness.errors import InputError
from earwitness.figures.kinds import SPEED_M_S, far_field_to_hz, line_length_m
from earwitness.figures.registry import figure_infos
from earwitness.figures.sensitivity import SENSITIVITY_BAND_HZ, band_level
from earwitness.files.data import table_of, worded
from earwitness.insight.compare import compare_figure
from earwitness.insight.match import window
from earwitness.insight.match.plan_room import Plane, PlanRoom, boundary, level_toward
from earwitness.insight.match.seats import SINE_PEAK_DB, orbits_of, seat_angles
from earwitness.insight.words import decibels
from earwitness.quantities import Curve, DirectionalResponse, Figure, FloatArray, FrequencyAxis, Reading, on_orbit
from earwitness.session.record import Loudspeaker
from earwitness.session.room_plan import RoomPlan

INFO: Final = {row.key: row for row in figure_infos("kinds")}
Rows = tuple[tuple[str, Figure], ...]


@dataclass(frozen=True, slots=True, eq=False)
class KindReading:
    """What a kind is read for. rows : where or of what each figure is, and the figure; curves : of the chart, () where
    a table of the rows is the exhibit."""

    kind: str
    rows: Rows
    sentences: tuple[str, ...]
    curves: tuple[Curve, ...] = ()


def figure_of(key: str, value: float, u: float, note: str = "") -> Figure:
    """A figure of the registry's group of kinds."""
    return INFO[key].asked().judged(float(value), float(u), note)


def plus_minus(figure: Figure, decimals: int = 1) -> str:
    """Value and expanded uncertainty in words."""
    return f"{figure.judged_value:.{decimals}f} ± {2.0 * figure.judged_u:.{decimals}f} {figure.unit}"


# A length is known within 5 %; a real line is shaded, curved or stepped (own choices).
LENGTH_U: Final = 0.05
SHADED_U_DB: Final = 1.0
DISTANCES_M: Final = (2.0, 3.0, 4.0)
_TREBLE_HZ: Final = 4000.0
_STEPS_PER_WAVE: Final = 24.0


def line_level_db(length_m: float, hz: FloatArray, distance_m: float) -> FloatArray:
    """(F,) level of an even line on its middle axis at a distance against its far field referred there [dB].

    |integral of exp(-jkR) / R along the line| d / H, by the midpoint rule; the Fresnel form is 1.4 dB off at d = 0.8 H.
    """
    steps = int(np.ceil(_STEPS_PER_WAVE * length_m * np.max(hz) / SPEED_M_S)) + 64
    path = np.hypot(distance_m, (np.arange(steps) + 0.5) / steps * length_m - length_m / 2.0)
    wave = np.exp(-2j * np.pi / SPEED_M_S * np.outer(hz, path)) / path
    return np.asarray(20.0 * np.log10(np.abs(wave.mean(axis=1)) * distance_m), dtype=np.float64)


def line(loudspeaker: Loudspeaker, axis: FrequencyAxis, *, measured_m: float, distance_m: float) -> KindReading:
    """Level by distance against the far-field figure, and up to where that holds at the microphones' distance."""
    length, holds_hz = line_length_m(loudspeaker), far_field_to_hz(loudspeaker, measured_m)
    holds = figure_of("far_field_to", holds_hz, 2.0 * LENGTH_U * holds_hz, f"a line of {length:.2f} m")
    rows, curves, treble = [(f"recorded at {measured_m:g} m", holds)], [], int(np.argmin(np.abs(axis.hz - _TREBLE_HZ)))
    for at_m in DISTANCES_M:
        db, longer = (line_level_db(by * length, axis.hz, at_m) for by in (1.0, 1.0 + LENGTH_U))
        u = np.hypot(longer - db, SHADED_U_DB * np.clip(-db, 0.05, 1.0))
        reference = "dB against the far field referred there"
        curves.append(Curve.of(f"line_{at_m:g}", f"at {at_m:g} m", axis, db, u=u, reference=reference))
        rows.append((f"4 kHz at {at_m:g} m", figure_of("line_level", db[treble], u[treble])))

    def falls_db(of_m: float) -> float:
        there, twice = (line_level_db(of_m, axis.hz[[treble]], by * distance_m)[0] for by in (1.0, 2.0))
        return float(6.02 - twice + there)

    fall_db = falls_db(length)
    u_fall = np.hypot(falls_db((1.0 + LENGTH_U) * length) - fall_db, SHADED_U_DB * np.clip(6.02 - fall_db, 0.05, 1.0))
    said = worded("insight.line_source", length=length, far_m=length**2 * _TREBLE_HZ / SPEED_M_S,
                  holds=plus_minus(holds, 0), measured_m=measured_m)  # fmt: skip
    fall = worded(
        "insight.line_doubled", distance_m=distance_m, twice_m=2.0 * distance_m, fall=decibels(fall_db, float(u_fall))
    )
    return KindReading(loudspeaker.type, tuple(rows), (said, fall), tuple(curves))


# Dry enough and humid enough for most halls: 20 degrees Celsius, 50 % (ISO 9613-1, 105.3 dB/km at 8 kHz).
AIR_8_KHZ_DB_PER_M = 0.1053


def molloy_index_db(across_deg: float, upright_deg: float) -> float:
    """Directivity index of even coverage of these angles, nothing outside [dB]: Q = pi / asin(sin(a/2) sin(b/2))
    (Molloy, from memory)."""
    sines = math.sin(math.radians(across_deg / 2.0)) * math.sin(math.radians(upright_deg / 2.0))
    return 10.0 * math.log10(math.pi / math.asin(sines))


def reference_db(name: str, channels: int = 1) -> tuple[float, float]:
    """Level of a channel and reserve of peaks above it [dB] of a row of reference_levels.toml."""
    row = table_of("insight", "reference_levels")[name]
    return row["level_db"] - (10.0 * math.log10(channels) if row["all_together"] else 0.0), row["peak_db"]


def _coverage(figures: Mapping[str, Figure]) -> Rows:
    """The directivity index that the nominal coverage of both orbits would have, () where one is unknown."""
    known = [figures.get(f"nominal_coverage_{orbit}") for orbit in ("horizontal", "vertical")]
    (a, u_a), (b, u_b) = (
        (0.0, 0.0) if one is None or not one.is_judged else (one.judged_value, one.judged_u) for one in known
    )
    if not (0.0 < a <= 180.0 and 0.0 < b <= 180.0):
        return ()
    index = molloy_index_db(a, b)
    u = math.hypot(molloy_index_db(a + u_a, b) - index, molloy_index_db(a, b + u_b) - index)
    where = f"{a:.0f}° by {b:.0f}°"
    return ((where, figure_of("index_of_coverage", index, u, where)),)


def horn(figures: Mapping[str, Figure], plan: RoomPlan | None, room: PlanRoom | None) -> KindReading:
    """From the levels at the seats of a plan with its room: fall to the back row, direct over reverberant sound and
    reserve there. A seat in the horn's coordinates is that of `seat_angles`: translate, yaw, pitch."""
    rows = _coverage(figures)
    judged = {} if room is None else {seat: one for seat, one in room.levels.items() if one["all"].value is not None}
    index = [worded("insight.index_of_coverage", where=one.caveats[0], index=plus_minus(one)) for _, one in rows]
    if plan is None or not judged:
        return KindReading("horn", rows, tuple(index))
    seats = sorted((one for one in seat_angles(plan) if one.seat in judged), key=lambda one: (one.row, one.distance_m))
    first, last = seats[0], seats[-1]
    (front, back), direct = (judged[one.seat]["all"] for one in (first, last)), judged[last.seat]["one"]
    fall, (more, u) = figure_of("front_to_back", *_less(front, back)), _less(back, direct)
    ratio, moved = (-10.0 * math.log10(10.0 ** (max(by, 0.05) / 10.0) - 1.0) for by in (more, more + u))
    share = figure_of("direct_to_reverberant", ratio, abs(moved - ratio))
    rows += ((f"{first.seat} less {last.seat}", fall), (last.seat, share))
    said = [
        worded("insight.horn_rows", first=first.seat, last=last.seat, fall=plus_minus(fall), ratio=plus_minus(share)),
        worded("insight.horn_air", last=last.seat, lost=AIR_8_KHZ_DB_PER_M * last.distance_m),
    ]
    clean = judged[last.seat].get("clean")
    if clean is not None and clean.value is not None:
        level_db, peak_db = reference_db("cinema")
        left = figure_of(
            "reference_reserve", clean.value + SINE_PEAK_DB - level_db - peak_db, clean.judged_u, clean.bound
        )
        rows += ((last.seat, left),)
        said.append(worded("insight.horn_reserve", last=last.seat, left=plus_minus(left), level_db=level_db))
    return KindReading("horn", rows, (*said, *index))


def _less(one: Figure, other: Figure) -> tuple[float, float]:
    """The difference and its standard uncertainty; what moves both seats alike cancels."""
    pair = compare_figure(one, other)
    return (0.0, 0.0) if pair is None else (pair.difference, pair.u)


# Where sound behind and beside a dipole is told of, its usual distance to the wall, up to where a wall is told of,
# what a model of the frame is off by, and what the listener is far away (own choices).
DIPOLE_HZ: Final = (100.0, 1000.0)
WALL_M: Final = 1.0
ON_WALL_HZ: Final = 2000.0
MODEL_U_DB: Final = 2.0
FAR_M: Final = 100.0
_POWER_HZ: Final = 40.0
_BAND: Final = "300 Hz to 3 kHz"


def in_wall_gain_db(loudspeaker: Loudspeaker, hz: FloatArray) -> FloatArray:
    """(F,) what a wall adds on axis to a free frame, by the largest driver as a cap on the sphere of the frame's volume
    and as a piston of the same flow in an endless wall [dB]: 6.02 where the frame is small against the wavelength."""
    radius = equal_volume_radius_m(loudspeaker.width_m, loudspeaker.height_m, loudspeaker.depth_m)
    cone = max((one.diameter_m for one in loudspeaker.drivers if one.kind != "port"), default=0.1) / 2.0
    half_angle = math.asin(min(cone / radius, 0.95))
    free = np.abs(cap_diffraction(2.0 * np.pi * hz / SPEED_M_S * radius, half_angle, np.ones(1))[0])
    return np.asarray(20.0 * np.log10(2.0 / free), dtype=np.float64)


def in_wall(loudspeaker: Loudspeaker, response: DirectionalResponse, curves: Mapping[str, Curve]) -> KindReading:
    """Measured in a wall: directivity over sphere and hemisphere. Measured free: what that says of it in a wall."""
    if not response.half_space:
        gain_db = in_wall_gain_db(loudspeaker, np.geomspace(*SENSITIVITY_BAND_HZ, 60)).mean()
        gain = figure_of("wall_gain", gain_db, MODEL_U_DB)
        right_khz = 2.0 * SPEED_M_S / min(loudspeaker.width_m, loudspeaker.height_m) / 1000.0
        said = worded("insight.wall_gain", gain=plus_minus(gain), right_khz=right_khz)
        return KindReading("in-wall", ((_BAND, gain),), (worded("insight.in_wall_measured_free"), said))
    index = None if "sound_power_di" not in curves else band_level(curves["sound_power_di"])
    if index is None or index.value is None:
        raise InputError("the half in front of the wall was not measured on both orbits from 300 Hz to 3 kHz")
    sphere = figure_of("index_sphere", index.value, index.judged_u)
    half = figure_of("index_hemisphere", index.value - 10.0 * math.log10(2.0), index.judged_u)
    said = worded("insight.index_in_wall", sphere=plus_minus(sphere), half=plus_minus(half))
    rows = ((_BAND, sphere), (_BAND, half))
    return KindReading("in-wall", rows, (worded("insight.measured_in_wall"), said))


def _dip_before_wall(response: DirectionalResponse, wall_m: float, high_hz: float) -> tuple[Figure, Curve]:
    """The deepest third octave far ahead with a wall that far behind the reference point, and the change it makes."""
    made = boundary(response, (0.0, 0.0, 0.0), (FAR_M, 0.0, 0.0), (Plane(0, -wall_m),), high_hz=high_hz)
    note = f"at {float(f'{made.dip_hz:.2g}'):.0f} Hz, {wall_m:g} m before a wall"
    return figure_of("wall_dip", made.dip_db, made.u[1], note), made.gain


def on_wall(loudspeaker: Loudspeaker, response: DirectionalResponse) -> KindReading:
    """What a wall does to a box that hangs on it, by its sound behind; measured there, nothing is to be added."""
    if response.half_space:
        return KindReading("on-wall", (), (worded("insight.measured_on_wall"),))
    dip, gain = _dip_before_wall(response, loudspeaker.depth_m, ON_WALL_HZ)
    said = worded("insight.on_wall", dip=plus_minus(dip), note=dip.caveats[0])
    return KindReading("on-wall", (("deepest third octave", dip),), (said,), (gain,))


def dipole_power_db(wavenumber_distance: FloatArray, *, along: bool = False) -> FloatArray:
    """Power of a dipole before a rigid wall against free field [dB], its axis across the wall or along it.

    wavenumber_distance : k d; with u = 2 k d, 1 - 3 (sin u/u + 2 cos u/u^2 - 2 sin u/u^3), and along the wall
    1 + 3 (sin u/u^3 - cos u/u^2) (Ingard and Lamb 1957, from memory; verified by quadrature).
    """
    u = 2.0 * np.asarray(wavenumber_distance, dtype=float)
    sine, cosine = np.sin(u) / u, np.cos(u) / u**2
    share = sine / u**2 - cosine if along else 2.0 * sine / u**2 - 2.0 * cosine - sine
    return np.asarray(10.0 * np.log10(1.0 + 3.0 * share))


def dipole(response: DirectionalResponse) -> KindReading:
    """Sound behind and at the sides against the axis, and what a wall behind does. InputError where these directions
    are not known from 100 Hz to 1 kHz."""
    orbits = orbits_of(response)
    ahead, rear, *sides = (level_toward(orbits, (at, 0.0), DIPOLE_HZ) for at in (0.0, 180.0, -90.0, 90.0))
    side = max(sides, key=lambda one: one.value or -300.0)
    if ahead.value is None or rear.value is None or side.value is None:
        raise InputError("the level on axis, at the sides and behind is not known from 100 Hz to 1 kHz")
    behind, beside = (
        figure_of(key, max(one.judged_value - ahead.value, -60.0), math.hypot(one.judged_u, ahead.judged_u))
        for key, one in (("rear_level", rear), ("side_level", side))
    )
    dip, gain = _dip_before_wall(response, WALL_M, DIPOLE_HZ[1])
    k = 2.0 * np.pi * _POWER_HZ / SPEED_M_S
    power, nearer = dipole_power_db(k * WALL_M * np.array([1.0, 0.95]))
    taken = figure_of("wall_power", power, abs(power - nearer) + 0.1)
    said = worded(
        "insight.dipole", rear=plus_minus(behind), side=plus_minus(beside), dip=plus_minus(dip), note=dip.caveats[0]
    )
    rows = (
        ("behind", behind),
        ("at the louder side", beside),
        ("deepest third octave", dip),
        ("power at 40 Hz", taken),
    )
    return KindReading("dipole", rows, (said, worded("insight.dipole_power", power=plus_minus(taken))), (gain,))


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
    known = window.known_near(response, rows, angle)
    angle, rows = angle[known], rows[known]
    hz, valid = response.axis.hz, np.asarray(response.valid[rows].all(axis=0))
    inside = np.flatnonzero(valid & (hz >= band_hz[0]) & (hz <= band_hz[1]))
    if not inside.size:
        raise InputError(f"the directions are not known from {band_hz[0]:.0f} Hz to {band_hz[1]:.0f} Hz")
    pressure, smooth, u_db = response.pressure[rows], window.third_octaves(hz, hz).T, response.u_apart_db()[rows]
    (fine, every), (_, second) = window.fine_lines(angle), window.fine_lines(angle, every=2)
    near, far = (
        10.0 * np.log10(np.maximum(window.energy_of(one @ pressure) @ smooth, 1e-30)) for one in (every, second)
    )
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
        u = np.hypot(np.hypot(*beside), window.SHARE_OF_COARSER * np.abs(db - coarse)) + window.BETWEEN_DB
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
    is_deep = any(one.judged_value + 2.0 * one.judged_u < -_CLEAR_DB for _, one in rows)
    said.append(worded("insight.center_turned") if is_deep else worded("insight.center_even"))
    try:
        said.append(f"Across: {window.balance_window(response, orbit='horizontal').sentence(distance_m)}")
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
    level = window.energy_of(response.pressure) @ window.third_octaves(hz, hz[inside]).T
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


def reading_of_kind(
    loudspeaker: Loudspeaker, response: DirectionalResponse, reading: Reading, *, distance_m: float,
    plan: RoomPlan | None = None, room: PlanRoom | None = None,
) -> KindReading | str | None:  # fmt: skip
    """The reading of its kind, the reason why there is none, or None for a kind without one of its own.

    distance_m : to the listener; plan, room : of the seats, and what the room of that plan does
    """
    ways = {
        "center": lambda: center(response, distance_m=distance_m),
        "in-wall": lambda: in_wall(loudspeaker, response, reading.curves),
        "on-wall": lambda: on_wall(loudspeaker, response),
        "dipole": lambda: dipole(response),
        "horn": lambda: horn(reading.figures, plan, room),
    }
    for kind in ("line source", "soundbar"):
        ways[kind] = lambda: line(loudspeaker, response.axis, measured_m=response.distance_m, distance_m=distance_m)
    way = ways.get(loudspeaker.type, (lambda: coaxial(response)) if is_coaxial(loudspeaker) else None)
    try:
        return None if way is None else way()
    except InputError as error:
        return error.what
