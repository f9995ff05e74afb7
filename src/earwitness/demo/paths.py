"""From every cap of a loudspeaker to a microphone as short responses: pascals per volume acceleration."""

from dataclasses import replace
from functools import lru_cache

import numpy as np

from earwitness.demo import rig, sources, world
from earwitness.demo.lineup import Cap, DemoLoudspeaker
from earwitness.demo.room import Images, shoebox_images
from earwitness.demo.sources import SPEED_OF_SOUND_M_S, cap_volume_velocity, order_for
from earwitness.quantities.arrays import ComplexArray, FloatArray

TAPS = 512
# Room in a response before the sound arrives: a path around the body may be shorter than the nominal one.
EARLY_TAPS = 128
_LOW_HZ = 1.0
_ROLL_OFF_HZ = (22_000.0, 24_000.0)


def grid_hz() -> FloatArray:
    """The frequencies of a response of TAPS samples; 1 Hz stands for 0."""
    frequency = np.fft.rfftfreq(TAPS, 1 / rig.RATE_HZ)
    frequency[0] = _LOW_HZ
    return np.asarray(frequency, dtype=np.float64)


def far_paths(
    one: DemoLoudspeaker,
    caps: tuple[Cap, ...],
    orbit: str,
    angle_deg: float,
    distance_m: float,
    images: Images | None = None,
) -> FloatArray:
    """Direct sound and wall reflections at an orbit position; (caps, samples). images : of another room than the rig's.

    The loudspeaker turns about its reference point while the microphone stays; before a wall the microphone moves. For
    the vertical orbit it lies on its side, so that its own up points to the left of the hall.
    """
    turn = np.eye(3) if one.in_wall else speaker_axes(orbit, angle_deg)
    away_m = distance_m * (speaker_axes(orbit, angle_deg) @ np.array([1.0, 0.0, 0.0]))
    images = images or (_wall_images(tuple(away_m)) if one.in_wall else _hall_images(distance_m))
    if one.outdoors:
        images = replace(images, **{name: getattr(images, name)[:1] for name in ("emission", "amplitude", "delay_s")})
    last = round(float(images.delay_s[-1]) * rig.RATE_HZ)
    out = np.zeros((len(caps), last + 2 * TAPS))
    for row, field in enumerate(world.fields_at(one, caps, away_m[None, :], grid_hz())):
        _lay(out[row], field[:1], np.array([distance_m / SPEED_OF_SOUND_M_S]))
    emission = images.emission[1:] @ turn.T
    for row, cap in enumerate(caps):
        if one.is_flat:
            fields = world.far_fields(one, (cap,), emission, grid_hz())[0]
        else:
            fields = _far_table(one.like or one.key, cap).at(one, cap, emission)
        shift = np.exp(-2j * np.pi * grid_hz() * images.delay_s[1:, None])
        _lay(out[row], images.amplitude[1:, None] * fields * shift, images.delay_s[1:])
    # Hard ground holds an image in the loudspeaker's own place.
    return 2.0 * out if one.outdoors else out


def near_paths(one: DemoLoudspeaker, caps: tuple[Cap, ...], driver_name: str) -> FloatArray:
    """To the near-field position of a cone or port from all caps, without the hall; (caps, samples)."""
    out = np.zeros((len(caps), 2 * TAPS))
    # A negative start would be cut: the microphone touches the cap, and nothing arrives before the sound does.
    for row, field in enumerate(world.near_fields(one, caps, driver_name, grid_hz())):
        _lay(out[row], field[None], np.zeros(1))
    return out


def speaker_axes(orbit: str, angle_deg: float) -> FloatArray:
    """Matrix (3, 3) that takes hall axes (x to the microphone, y left, z up) to the loudspeaker's AES69 axes."""
    cos, sin = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    about_up = np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]])
    if orbit == "horizontal":
        return about_up
    on_side = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
    return np.asarray(on_side @ about_up, dtype=np.float64)


class _FarTable:
    """Orders of a cap's far field over the grid, so that any direction is one product."""

    def __init__(self, one: DemoLoudspeaker, cap: Cap) -> None:
        radius, frequency = one.sphere_radius_m, grid_hz()
        order = order_for(2 * np.pi * frequency[-1] / SPEED_OF_SOUND_M_S * radius)
        series = world.cap_series(one, cap, order)
        spreading = sources.spread_far(order, radius, frequency)
        # Single precision is 100 dB better than what the walls send back is known to.
        self.rows = (series[:, None] * spreading / cap_volume_velocity(series, radius)).astype(np.complex64)
        self.order = order

    def at(self, one: DemoLoudspeaker, cap: Cap, emission: FloatArray) -> ComplexArray:
        """Far pressure times distance per volume velocity; (directions, frequencies)."""
        angular = sources.legendre_table(self.order, world.cos_to_cap(one, cap, emission))
        turn = np.exp(
            -2j * np.pi / SPEED_OF_SOUND_M_S * one.sphere_radius_m * np.multiply.outer(emission[:, 0], grid_hz())
        )
        return np.asarray((angular.astype(np.complex64) @ self.rows) * turn, dtype=np.complex128)


@lru_cache(maxsize=32)
def _far_table(key: str, cap: Cap) -> _FarTable:
    return _FarTable(world.loudspeaker(key), cap)


@lru_cache(maxsize=4)
def _hall_images(distance_m: float) -> Images:
    microphone = rig.LOUDSPEAKER_M + np.array([distance_m, 0.0, 0.0])
    return shoebox_images(rig.ROOM_M, rig.LOUDSPEAKER_M, microphone, rig.REFLECTION, rig.REFLECTION_ORDER)


@lru_cache(maxsize=96)
def _wall_images(away_m: tuple[float, float, float]) -> Images:
    """Of a loudspeaker in the wall of its own hall; what that wall sends back once more is left out."""
    walls = rig.REFLECTION.copy()
    walls[0, 0] = 0.0
    place = rig.IN_WALL_M
    return shoebox_images(rig.WALL_ROOM_M, place, place + np.maximum(away_m, [0.0, -9.0, -9.0]), walls, 2)


def _lay(line: FloatArray, fields: ComplexArray, delay_s: FloatArray) -> None:
    """Add fields (D, frequencies) per volume velocity, their delays (D,) included, to `line` as samples about them."""
    frequency = grid_hz()
    starts = np.maximum(np.round(delay_s * rig.RATE_HZ).astype(int) - EARLY_TAPS, -EARLY_TAPS)
    low, high = _ROLL_OFF_HZ
    taper = 0.5 + 0.5 * np.cos(np.pi * np.clip((frequency - low) / (high - low), 0, 1))
    turn = 2j * np.pi * frequency
    spectra = fields / turn * taper * np.exp(turn * starts[:, None] / rig.RATE_HZ)
    spectra[:, 0] = spectra[:, 0].real
    for whole, taps in zip(starts.tolist(), np.fft.irfft(spectra, TAPS), strict=True):
        early = max(-whole, 0)
        line[max(whole, 0) : whole + TAPS] += taps[early:]
        # What arrives before sample 0 belongs to the end of the ring of samples; near fields only.
        if early:
            line[-early:] += taps[:early]
