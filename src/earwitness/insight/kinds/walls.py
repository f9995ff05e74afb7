"""Loudspeakers that a wall belongs to: in it, on it, and dipoles before it."""

import math
from collections.abc import Mapping
from typing import Final

import numpy as np

from earwitness.dsp.sphere import cap_diffraction, equal_volume_radius_m
from earwitness.errors import InputError
from earwitness.figures.sensitivity import SENSITIVITY_BAND_HZ, band_level
from earwitness.files.data import worded
from earwitness.insight.kinds.reading import KindReading, figure_of, plus_minus
from earwitness.insight.match.boundaries import Plane, boundary
from earwitness.insight.match.in_room import SPEED_M_S
from earwitness.insight.match.off_axis import orbits_of
from earwitness.insight.match.plan_room import level_toward
from earwitness.quantities import Curve, DirectionalResponse, Figure
from earwitness.quantities.arrays import FloatArray
from earwitness.session.record import Loudspeaker

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
    sphere = figure_of("index_sphere", index.value, index.u or 0.0)
    half = figure_of("index_hemisphere", index.value - 10.0 * math.log10(2.0), index.u or 0.0)
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
        figure_of(key, max((one.value or 0.0) - ahead.value, -60.0), math.hypot(one.u or 0.0, ahead.u or 0.0))
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
