"""The truth of the demo world: what each invented loudspeaker radiates, per volt at its terminals.

The body of three is a rigid sphere; every driver, port and trim is a cap on it. The reference point is the front pole
of the sphere, where the tweeter or horn sits and from where its axis runs along x (AES69 axes). Sphere means no edges:
there is no edge ripple in these data. The fourth stands on a rigid box with edges, whose sound is stored (see `box`);
what sits in a wall has no body (see `Wall`).
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from earwitness.demo import box, circuits, sources
from earwitness.demo.circuits import chain_response
from earwitness.demo.lineup import KINDS, LINEUP, BassWay, Branch, Cap, DemoLoudspeaker, HighWay, TrimRing
from earwitness.demo.sources import AIR_DENSITY_KG_M3, SPEED_OF_SOUND_M_S
from earwitness.errors import choice
from earwitness.quantities import ComplexArray, Directions, FloatArray

# A loudspeaker in an endless rigid wall: every part a flat piston in it. exp(+j omega t).
#
# On its axis and far away a piston's sound is known in closed form (Kinsler et al., Fundamentals of Acoustics, chapter
# 7, from memory); at other points it is that of the far field about the piston's middle.

C, RHO = SPEED_OF_SOUND_M_S, AIR_DENSITY_KG_M3
NEAR_FIELD_GAP_M = 0.005


@dataclass(frozen=True, slots=True)
class Wall:
    """Pistons by name: middle in the wall (y, z) and radius [m]. Pressures are per volume velocity, as a box's are."""

    pistons: dict[str, tuple[float, float, float]]

    def far(self, name: str, unit_vectors: FloatArray, frequency_hz: FloatArray) -> ComplexArray:
        """Times distance, delay from the reference point taken out; (directions, F)."""
        y, z, radius = self.pistons[name]
        k = 2 * np.pi * frequency_hz / C
        sine = np.linalg.norm(unit_vectors[:, 1:], axis=1)
        return np.asarray(_beam(k, radius, sine) * np.exp(1j * np.outer(unit_vectors[:, 1:] @ [y, z], k)))

    def at(self, name: str, point_m: FloatArray, frequency_hz: FloatArray) -> ComplexArray:
        """At points from the reference point, delay included; (points, F)."""
        y, z, radius = self.pistons[name]
        k, ray = 2 * np.pi * frequency_hz / C, point_m - [0.0, y, z]
        path = np.linalg.norm(ray, axis=1)
        sine = np.linalg.norm(ray[:, 1:], axis=1) / path
        return np.asarray(_beam(k, radius, sine) * np.exp(-1j * np.outer(path, k)) / path[:, None])

    def before(self, name: str, at: str, frequency_hz: FloatArray) -> ComplexArray:
        """5 mm before the middle of a piston, by another or itself; (F,)."""
        y, z, radius = self.pistons[at]
        if name != at:
            return np.asarray(self.at(name, np.array([[NEAR_FIELD_GAP_M, y, z]]), frequency_hz)[0])
        k, slant = 2 * np.pi * frequency_hz / C, float(np.hypot(NEAR_FIELD_GAP_M, radius))
        wave = np.exp(-1j * k * NEAR_FIELD_GAP_M) - np.exp(-1j * k * slant)
        return np.asarray(RHO * C / (np.pi * radius**2) * wave)


def wall_of(one: DemoLoudspeaker) -> Wall:
    """The pistons of a loudspeaker that sits in a wall."""
    caps = (*one.near_caps, *(way.cap for way in one.high))
    return Wall({cap.name: (cap.y_m, cap.z_m, cap.radius_m) for cap in caps})


def _beam(k: FloatArray, radius_m: float, sine: FloatArray) -> ComplexArray:
    """(directions, F) j omega rho / (2 pi) 2 J1(x) / x."""
    from scipy.special import j1

    x = np.maximum(np.outer(sine, k * radius_m), 1e-9)
    return np.asarray(1j * k * C * RHO / np.pi * j1(x) / x, dtype=np.complex128)


TEST_VOLTAGE_V = 2.83
_NEAR_ORDER = 640
_SOFT_STEPS = 16
_SENSITIVITY_BAND_HZ, _BASS_BAND_HZ = (300.0, 3000.0), (40.0, 80.0)
_AXIS = np.array([[1.0, 0.0, 0.0]])


@dataclass(frozen=True, slots=True, eq=False)
class CapSource:
    """One cap with what one terminal volt does to it, split where nonlinearity acts.

    filter : voltage at the driver per terminal volt; flow : volume velocity m^3/s per volt at the driver.
    Both of shape (frequencies,).
    """

    cap: Cap
    filter: ComplexArray
    flow: ComplexArray


def loudspeakers() -> tuple[DemoLoudspeaker, ...]:
    """The invented loudspeakers, each with its `key`."""
    return LINEUP


def loudspeaker(key: str) -> DemoLoudspeaker:
    """The loudspeaker of that key. InputError for an unknown one."""
    every = (*LINEUP, *KINDS)
    found = choice("demo loudspeaker", key, tuple(one.key for one in every))
    return next(one for one in every if one.key == found)


def true_pressure(key: str, directions: Directions, frequency_hz: FloatArray) -> ComplexArray:
    """Pressure per volt at 1 m, referred from the far field; (directions, frequencies), Pa/V.

    Limit of p d e^(jkd) for a distance d from the reference point that grows without end, over 1 m.
    InputError for an unknown key or a frequency that is not positive.
    """
    one = loudspeaker(key)
    frequency = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
    return sum_far(one, speaker_sources(one, frequency), directions.unit_vectors(), frequency)


def true_impedance(key: str, frequency_hz: FloatArray) -> ComplexArray:
    """Impedance at the terminals in ohms; (frequencies,). InputError for an unknown key."""
    one = loudspeaker(key)
    frequency = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
    s = 2j * np.pi * frequency
    bass = circuits.vented_motion(one.bass.driver, one.bass.box, frequency).impedance_ohm / len(one.bass.cones)
    admittance = np.asarray(1 / (bass + s * one.load.bass_inductance_h), dtype=np.complex128)
    for branch in one.load.branches:
        admittance = admittance + 1 / _branch_impedance(branch, frequency)
    return np.asarray(1 / admittance, dtype=np.complex128)


def speaker_sources(one: DemoLoudspeaker, frequency_hz: FloatArray, *, heating_k: float = 0.0) -> tuple[CapSource, ...]:
    """Every cap's drive, scaled to the loudspeaker's sensitivity. heating_k : voice coils above room temperature."""
    return _scaled(_raw_sources(one, frequency_hz, heating_k), _scale(one.like or one.key))


def sum_far(
    one: DemoLoudspeaker, active: tuple[CapSource, ...], unit_vectors: FloatArray, frequency_hz: FloatArray
) -> ComplexArray:
    """Far-field pressure at 1 m per terminal volt of all sources, delay from the reference point removed."""
    parts = far_fields(one, tuple(s.cap for s in active), unit_vectors, frequency_hz)
    total = np.zeros((unit_vectors.shape[0], frequency_hz.size), dtype=np.complex128)
    for source, part in zip(active, parts, strict=True):
        total += source.filter * source.flow * part
    return total


def far_fields(
    one: DemoLoudspeaker, caps: tuple[Cap, ...], unit_vectors: FloatArray, frequency_hz: FloatArray
) -> list[ComplexArray]:
    """Per cap: far pressure times distance per volume velocity, Pa m s/m^3; (directions, frequencies) each."""
    if body := _flat(one):
        return [body.far(cap.name, unit_vectors, frequency_hz) for cap in caps]
    radius = one.sphere_radius_m
    order = sources.order_for(2 * np.pi * float(np.max(frequency_hz)) / C * radius)
    turn = np.exp(-2j * np.pi / C * radius * np.multiply.outer(unit_vectors[:, 0], frequency_hz))
    out = []
    for cap in caps:
        series = cap_series(one, cap, order)
        cosine = cos_to_cap(one, cap, unit_vectors)
        far = sources.cap_far_field(series, radius, cosine, frequency_hz)
        out.append(np.asarray(far * turn / sources.cap_volume_velocity(series, radius), dtype=np.complex128))
    return out


def fields_at(
    one: DemoLoudspeaker,
    caps: tuple[Cap, ...],
    point_m: FloatArray,
    frequency_hz: FloatArray,
    *,
    order: int | None = None,
) -> list[ComplexArray]:
    """Per cap: pressure per volume velocity at points (points, 3) from the reference point; delay included."""
    if body := _flat(one):
        return [body.at(cap.name, point_m, frequency_hz) for cap in caps]
    radius = one.sphere_radius_m
    if order is None:
        order = sources.order_for(2 * np.pi * float(np.max(frequency_hz)) / C * radius)
    from_middle = point_m + np.array([radius, 0.0, 0.0])
    distance = np.linalg.norm(from_middle, axis=1)
    spreading = sources.spread(order, radius, distance, frequency_hz)
    out = []
    for cap in caps:
        series = cap_series(one, cap, order)
        cosine = cos_to_cap(one, cap, from_middle / distance[:, None])
        out.append(sources.cap_at_points(spreading, series, cosine) / sources.cap_volume_velocity(series, radius))
    return out


def near_fields(
    one: DemoLoudspeaker, caps: tuple[Cap, ...], driver_name: str, frequency_hz: FloatArray
) -> list[ComplexArray]:
    """Per cap: pressure per volume velocity 5 mm in front of a cone or port, delay included; (frequencies,) each."""
    point = near_point(one, driver_name)
    if body := _flat(one):
        return [body.before(cap.name, driver_name, frequency_hz) for cap in caps]
    return [part[0] for part in fields_at(one, caps, point[None, :], frequency_hz, order=_NEAR_ORDER)]


def _flat(one: DemoLoudspeaker) -> box.Box | Wall | None:
    return box.stored(one.box) if one.box else wall_of(one) if one.in_wall else None


def cap_direction(one: DemoLoudspeaker, cap: Cap) -> FloatArray:
    """Unit vector from the middle of the sphere to the middle of the cap, AES69 axes."""
    radius = one.sphere_radius_m
    forward = np.sqrt(radius**2 - cap.y_m**2 - cap.z_m**2)
    return np.array([forward if cap.front else -forward, cap.y_m, cap.z_m]) / radius


def cap_position(one: DemoLoudspeaker, cap: Cap) -> FloatArray:
    """Middle of the cap from the reference point in meters, AES69 axes."""
    if one.is_flat:
        return np.array([0.0 if cap.front else -one.depth_m, cap.y_m, cap.z_m])
    return np.asarray(one.sphere_radius_m * (cap_direction(one, cap) - _AXIS[0]), dtype=np.float64)


def cos_to_cap(one: DemoLoudspeaker, cap: Cap, unit_vectors: FloatArray) -> FloatArray:
    """Cosine of the angle between AES69 unit vectors (directions, 3) and the cap's axis; (directions,)."""
    return np.asarray(np.clip(unit_vectors @ cap_direction(one, cap), -1.0, 1.0), dtype=np.float64)


def cap_series(one: DemoLoudspeaker, cap: Cap, order: int) -> FloatArray:
    """Series of the cap's surface velocity; a ring is the difference of two caps."""
    half_angle = float(np.arcsin(cap.radius_m / one.sphere_radius_m))
    if cap.soft_from_m:
        inner = float(np.arcsin(cap.soft_from_m / one.sphere_radius_m))
        steps = np.linspace(inner, half_angle, _SOFT_STEPS)
        layers = [sources.cap_coefficients(float(step), order, motion=cap.motion) for step in steps]
        return np.asarray(np.mean(layers, axis=0), dtype=np.float64)
    series = sources.cap_coefficients(half_angle, order, motion=cap.motion)
    if cap.inner_radius_m:
        hole = float(np.arcsin(cap.inner_radius_m / one.sphere_radius_m))
        series = series - sources.cap_coefficients(hole, order, motion=cap.motion)
    return series


def near_point(one: DemoLoudspeaker, driver_name: str) -> FloatArray:
    """Where the near-field microphone stands for a cone or port, from the reference point in meters."""
    caps = {cap.name: cap for cap in one.near_caps}
    cap = caps[choice("cone or port", driver_name, tuple(caps))]
    if one.is_flat:
        gap_m = np.array([NEAR_FIELD_GAP_M if cap.front else -NEAR_FIELD_GAP_M, 0.0, 0.0])
        return np.asarray(cap_position(one, cap) + gap_m, dtype=np.float64)
    return cap_position(one, cap) + NEAR_FIELD_GAP_M * cap_direction(one, cap)


def heated_driver(driver: circuits.Driver, heating_k: float) -> circuits.Driver:
    """The driver with its copper coil warmer: 0.393 % more resistance per kelvin."""
    return replace(driver, coil_resistance_ohm=driver.coil_resistance_ohm * (1 + 0.00393 * heating_k))


def _raw_sources(one: DemoLoudspeaker, frequency: FloatArray, heating_k: float) -> tuple[CapSource, ...]:
    whole = chain_response(one.whole, frequency)
    found = [*_bass_sources(one.bass, whole, frequency, heating_k)]
    reference = _reference_acceleration(one.bass)
    for way in one.high:
        found.append(_high_source(way, whole, frequency, reference, heating_k))
    if one.trim is not None:
        gain, delay = _trim_drive(one.key)
        found.append(_trim_source(one.trim, whole, frequency, gain, delay))
    return tuple(found)


def _bass_sources(way: BassWay, whole: ComplexArray, frequency: FloatArray, heating_k: float) -> list[CapSource]:
    motion = circuits.vented_motion(heated_driver(way.driver, heating_k), way.box, frequency)
    voltage = whole * chain_response(way.stages, frequency)
    # What leaks leaves through the rear beside the port.
    port = np.asarray(len(way.cones) * (motion.port_m3_s_v + motion.leak_m3_s_v))
    return [*(CapSource(cone, voltage, motion.cone_m3_s_v) for cone in way.cones), CapSource(way.port, voltage, port)]


def _high_source(
    way: HighWay, whole: ComplexArray, frequency: FloatArray, reference: float, heating_k: float
) -> CapSource:
    s = 1j * frequency / way.resonance_hz
    rise = s**2 / (s**2 + s / way.resonance_q + 1)
    size = reference * 10 ** (way.level_db / 20) / (1 + 0.00393 * heating_k) * (-1 if way.inverted else 1)
    flow = size * rise / (2j * np.pi * frequency) * np.exp(-2j * np.pi * frequency * way.recess_m / C)
    return CapSource(way.cap, whole * chain_response(way.stages, frequency), np.asarray(flow, dtype=np.complex128))


def _reference_acceleration(way: BassWay) -> float:
    """Volume acceleration per volt that the cones would reach without coil inductance, far above resonance."""
    one = way.driver
    return len(way.cones) * one.cone_area_m2 * one.force_factor_n_a / (one.coil_resistance_ohm * one.moving_mass_kg)


def _scaled(active: tuple[CapSource, ...], scale: float) -> tuple[CapSource, ...]:
    return tuple(CapSource(s.cap, s.filter, s.flow * scale) for s in active)


@lru_cache(maxsize=8)
def _scale(key: str) -> float:
    one = loudspeaker(key)
    frequency = np.geomspace(*(_SENSITIVITY_BAND_HZ if one.high else _BASS_BAND_HZ), 160)
    level = 20 * np.log10(np.abs(sum_far(one, _raw_sources(one, frequency, 0.0), _AXIS, frequency)[0]))
    now = float(np.mean(level)) + 20 * np.log10(TEST_VOLTAGE_V / 20e-6)
    return float(10 ** ((one.sensitivity_db - now) / 20))


def _trim_source(trim: TrimRing, whole: ComplexArray, frequency: FloatArray, gain: float, delay_s: float) -> CapSource:
    s = 1j * frequency / trim.center_hz
    band = (s / trim.q) / (s**2 + s / trim.q + 1)
    flow = gain * band * np.exp(-2j * np.pi * frequency * delay_s) / (2j * np.pi * frequency)
    return CapSource(trim.cap, whole, np.asarray(flow, dtype=np.complex128))


@lru_cache(maxsize=8)
def _trim_drive(key: str) -> tuple[float, float]:
    """Gain and delay that set the ring against all else on axis at its center frequency."""
    one = loudspeaker(key)
    assert one.trim is not None
    frequency = np.array([one.trim.center_hz])
    whole = chain_response(one.whole, frequency)
    rest = sum_far(one, _raw_sources(replace(one, trim=None), frequency, 0.0), _AXIS, frequency)[0, 0]
    ring = sum_far(one, (_trim_source(one.trim, whole, frequency, 1.0, 0.0),), _AXIS, frequency)[0, 0]
    turn = np.angle(-rest / ring)
    return float(one.trim.depth * abs(rest / ring)), float(np.mod(-turn, 2 * np.pi) / (2 * np.pi * one.trim.center_hz))


def _branch_impedance(branch: Branch, frequency: FloatArray) -> ComplexArray:
    s = 2j * np.pi * frequency
    total = branch.resistance_ohm + s * branch.inductance_h
    if branch.capacitance_f:
        total = total + 1 / (s * branch.capacitance_f)
    if branch.resonance_hz:
        turn = 1j * frequency / branch.resonance_hz
        bump = (turn / branch.resonance_q) / (turn**2 + turn / branch.resonance_q + 1)
        total = total + branch.resonance_ohm * bump
    return np.asarray(total, dtype=np.complex128)
