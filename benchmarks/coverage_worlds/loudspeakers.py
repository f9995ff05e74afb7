"""Random loudspeakers: a body, what moves on it, and how each way is driven.

Laws are this program's own and wide: cabinets from 3 to 90 liters, closed and vented bass with alignments that nobody
would sell, two and three ways, crossovers of first to fourth order, shelves, resonances of one way each. No setting of
the reduction was chosen by them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from coverage_worlds.bodies import Body, BoxBody, Cap, ComplexArray, FloatArray, SphereBody, stored
from earwitness.demo.circuits import Driver, Kind, Stage, VentedBox, chain_response, vented_motion
from earwitness.quantities import Directions, cta_orbits

Random = np.random.Generator
LEVEL_BAND_HZ = (300.0, 3000.0)
CLOSED_TUNING_HZ = 0.02
TUNED_ON, HELD_OUT = ("A", "B", "G"), ("C", "D", "E", "H")


@dataclass(frozen=True, slots=True)
class Bass:
    """Cones and port as one circuit; leak_radiates : at the port, or it only takes energy."""

    driver: Driver
    box: VentedBox
    vented: bool
    leak_radiates: bool


@dataclass(frozen=True, slots=True)
class Way:
    """One way that is no bass: radiator's row, own resonance, filters, level [dB], sign, delay [s]."""

    row: int
    resonance_hz: float
    resonance_q: float
    stages: tuple[Stage, ...]
    high_order: int
    high_hz: float
    low_order: int
    low_hz: float
    level_db: float
    sign: int
    delay_s: float


@dataclass(frozen=True, eq=False)
class Loudspeaker:
    """body; woofer and port rows; ways; gain per volt that sets the sensitivity; powered."""

    body: Body
    kind: str
    bass: Bass
    woofer: int
    port: int | None
    bass_stages: tuple[Stage, ...]
    bass_low_hz: float
    bass_order: int
    ways: tuple[Way, ...]
    gain: float
    powered: bool

    def acceleration(self, hz: FloatArray) -> ComplexArray:
        """(R, F) volume acceleration of every radiator per terminal volt [m^3/s^2]."""
        out = np.zeros((len(self.body.radiators), hz.size), dtype=np.complex128)
        motion = vented_motion(self.bass.driver, self.bass.box, hz)
        drive = chain_response(self.bass_stages, hz) * _butterworth(self.bass_low_hz, self.bass_order, hz, high=False)
        s = 2j * np.pi * hz
        out[self.woofer] = s * motion.cone_m3_s_v * drive
        if self.port is not None:
            flow = motion.port_m3_s_v + (motion.leak_m3_s_v if self.bass.leak_radiates else 0.0)
            out[self.port] = s * flow * drive
        reference = _level(self.bass.driver)
        for way in self.ways:
            turn = 1j * hz / way.resonance_hz
            rise = turn**2 / (turn**2 + turn / way.resonance_q + 1)
            size = reference * 10 ** (way.level_db / 20) * way.sign
            band = _butterworth(way.high_hz, way.high_order, hz, high=True)
            if way.low_order:
                band = band * _butterworth(way.low_hz, way.low_order, hz, high=False)
            out[way.row] = size * rise * band * chain_response(way.stages, hz) * np.exp(-s * way.delay_s)
        return out * self.gain

    def far(self, directions: Directions, hz: FloatArray) -> ComplexArray:
        """(D, F) pressure per volt at 1 m, referred from the far field, without the delay."""
        return self._summed(lambda rows, vertical: self.body.far(rows, hz, vertical=vertical), directions, hz)

    def at(self, directions: Directions, hz: FloatArray, distance_m: float) -> ComplexArray:
        """(D, F) pressure per volt at a distance from the reference point, referred to 1 m, without the delay."""
        turn = distance_m * np.exp(2j * np.pi * hz * distance_m / self.body.c_m_s)

        def field(rows: FloatArray, vertical: bool) -> ComplexArray:
            return np.asarray(self.body.at(distance_m * rows, hz, vertical=vertical) * turn)

        return self._summed(field, directions, hz)

    def _summed(
        self, field: Callable[[FloatArray, bool], ComplexArray], directions: Directions, hz: FloatArray
    ) -> ComplexArray:
        vectors = directions.unit_vectors()
        drive = self.acceleration(hz)
        upright = np.abs(vectors[:, 2]) > 1e-6
        out = np.zeros((len(vectors), hz.size), dtype=np.complex128)
        for vertical in (False, True):
            rows = upright == vertical
            if rows.any():
                out[rows] = np.einsum("rdf,rf->df", field(vectors[rows], vertical), drive)
        return out


def _butterworth(corner_hz: float, order: int, hz: FloatArray, *, high: bool) -> ComplexArray:
    """Order 1 and 3: Butterworth; 2 and 4: Linkwitz and Riley, that is Butterworth of half the order twice."""
    s = 1j * hz / corner_hz
    half = order if order % 2 else order // 2
    value = np.ones_like(s)
    for k in range(half // 2):
        value = value * (s * s + 2 * np.sin((2 * k + 1) * np.pi / (2 * half)) * s + 1)
    if half % 2:
        value = value * (s + 1)
    if order % 2 == 0:
        value = value**2
    return np.asarray((s**order if high else 1.0) / value, dtype=np.complex128)


def _level(driver: Driver) -> float:
    """Volume acceleration per volt far above the resonance."""
    return driver.cone_area_m2 * driver.force_factor_n_a / (driver.coil_resistance_ohm * driver.moving_mass_kg)


def log_uniform(random: Random, low: float, high: float) -> float:
    return float(np.exp(random.uniform(np.log(low), np.log(high))))


def draw_loudspeaker(random: Random, *, boxes: tuple[str, ...], kind: str | None = None) -> Loudspeaker:
    """A loudspeaker on a sphere or, 55 in 100, on one of `boxes`. kind : "sphere" or "box" asks for one."""
    boxed = random.random() < 0.55
    boxed = boxed if kind is None else kind == "box"
    vented = random.random() < 0.65
    if boxed:
        body: Body = BoxBody(str(random.choice(boxes)), log_uniform(random, 0.75, 1.3))
        vented = any(one.kind == "port" for one in body.radiators) and random.random() < 0.85
    else:
        body = _sphere(random, vented)
    rows = {one.name: i for i, one in enumerate(body.radiators)}
    width, height, depth = body.size_m
    bass = _bass(random, body.radiators[rows["woofer"]].radius_m, width * height * depth, vented)
    ways, low, order = _ways(random, body, rows)
    stages = _voicing(random, 250.0, 700.0, shelf=True)
    bare = Loudspeaker(
        body,
        "box " + body.name if isinstance(body, BoxBody) else "sphere",
        bass,
        rows["woofer"],
        rows.get("port") if vented else None,
        stages,
        low,
        order,
        ways,
        1.0,
        random.random() < 0.06,
    )
    hz = np.geomspace(*LEVEL_BAND_HZ, 60)
    ahead = cta_orbits()
    level = 20 * np.log10(np.abs(bare.far(ahead.take(np.array([_axis_row(ahead)])), hz)[0]).mean() * 2.83 / 20e-6)
    wanted = random.uniform(82.0, 93.0)
    return replace(bare, gain=10 ** ((wanted - float(level)) / 20))


def _axis_row(directions: Directions) -> int:
    return int(np.argmax(directions.unit_vectors()[:, 0]))


def _bass(random: Random, cone_m: float, outer_m3: float, vented: bool) -> Bass:
    area = float(np.pi * cone_m**2)
    volume = outer_m3 * random.uniform(0.5, 0.75)
    # Small drivers have higher resonances; a wide draw about the usual.
    resonance = float(np.clip(2.6 / cone_m * random.uniform(0.7, 1.4), 18.0, 90.0))
    ratio = log_uniform(random, 0.5, 4.0)
    compliance_m5 = ratio * volume / (1.204 * 343.0**2)
    compliance = compliance_m5 / area**2
    mass = 1 / ((2 * np.pi * resonance) ** 2 * compliance)
    total_q, mechanical_q = random.uniform(0.22, 0.55), random.uniform(2.5, 8.0)
    electrical_q = 1 / (1 / total_q - 1 / mechanical_q)
    resistance = random.uniform(3.0, 6.5)
    omega_mass = 2 * np.pi * resonance * mass
    driver = Driver(
        resistance,
        random.uniform(0.1e-3, 1.0e-3) * (cone_m / 0.08),
        float(np.sqrt(omega_mass * resistance / electrical_q)),
        mass,
        compliance,
        omega_mass / mechanical_q,
        area,
    )
    leak_q = random.uniform(5.0, 20.0)
    if not vented:
        # A tuning far below the band closes the port; the leak keeps its Q at the closed box's resonance.
        at_resonance = leak_q * CLOSED_TUNING_HZ / (resonance * (1 + ratio) ** 0.5)
        return Bass(driver, VentedBox(volume, CLOSED_TUNING_HZ, at_resonance, 40.0), False, False)
    tuning = resonance * random.uniform(0.65, 1.35) * ratio**0.25
    box = VentedBox(volume, tuning, leak_q, random.uniform(20.0, 80.0))
    return Bass(driver, box, True, bool(random.random() < 0.5))


def _ways(random: Random, body: Body, rows: dict[str, int]) -> tuple[tuple[Way, ...], float, int]:
    """All ways above the bass, and corner and order of the bass's low-pass."""
    order = int(random.choice([1, 2, 3, 4, 4]))
    biggest = body.radiators[rows.get("mid", rows["woofer"])].radius_m
    # A cone is crossed where ka is 1.2 to 2.8; first order needs a tweeter that bears it.
    top = float(np.clip(random.uniform(1.2, 2.8) * body.c_m_s / (2 * np.pi * biggest), 900.0, 4500.0))
    low = log_uniform(random, 150.0, 600.0)
    bass_order = int(random.choice([2, 4]))
    found = []
    if "mid" in rows:
        found.append(
            Way(
                rows["mid"],
                random.uniform(50.0, 90.0),
                random.uniform(0.5, 0.9),
                _voicing(random, 400.0, 1500.0),
                bass_order,
                low,
                order,
                top,
                random.uniform(-1.5, 1.5),
                -1 if bass_order == 2 else 1,
                0.0,
            )
        )
    upper = -1 if order == 2 else 1
    found.append(
        Way(
            rows["tweeter"],
            random.uniform(500.0, 1100.0),
            random.uniform(0.5, 1.2),
            _voicing(random, 3000.0, 12_000.0),
            order,
            top,
            0,
            0.0,
            random.uniform(-5.0, 1.0),
            upper * (-1 if "mid" in rows and bass_order == 2 else 1),
            random.uniform(0.0, 40e-6),
        )
    )
    return tuple(found), low if "mid" in rows else top, bass_order if "mid" in rows else order


def _voicing(random: Random, low_hz: float, high_hz: float, *, shelf: bool = False) -> tuple[Stage, ...]:
    """A baffle step's shelf and up to two peaks, dips or resonances, Q 0.8 to 12."""
    found = []
    if shelf:
        found.append(Stage("high shelf", log_uniform(random, low_hz, high_hz), 0.6, -random.uniform(2.0, 6.0)))
    for _ in range(int(random.integers(0, 3))):
        q = log_uniform(random, 0.8, 12.0)
        gain = random.uniform(1.0, 5.0) * random.choice([-1.0, 1.0]) * (1.0 if q < 4 else 0.7)
        kind: Kind = "resonance" if random.random() < 0.5 else "peak"
        found.append(Stage(kind, log_uniform(random, low_hz, 4 * high_hz), q, float(gain)))
    return tuple(found)


def _sphere(random: Random, vented: bool) -> SphereBody:
    """Woofer, tweeter and perhaps a middle cone and a port on a sphere, no caps that overlap; the tweeter is last."""
    three = random.random() < 0.3
    radius = log_uniform(random, 0.12, 0.24) * (1.25 if three else 1.0)
    while True:
        tilt = np.radians(0.0 if random.random() < 0.5 else random.uniform(3.0, 20.0))
        tweeter = (float(np.cos(tilt)), 0.0, float(np.sin(tilt)))
        dome = random.random() < 0.75
        treble = Cap("tweeter", "dome", tweeter, random.uniform(0.009, 0.016) if dome else random.uniform(0.03, 0.05))
        cone = radius * random.uniform(0.32, 0.52)
        caps = [Cap("woofer", "cone", _below(random, 0.0, 35.0, 75.0), cone)]
        if three:
            caps.append(Cap("mid", "cone", _below(random, 0.0, 18.0, 30.0), radius * random.uniform(0.18, 0.28)))
        if vented:
            mouth = max(0.016, cone * random.uniform(0.25, 0.5))
            rear = random.random() < 0.5
            toward = _below(random, 180.0, -30.0, 40.0) if rear else _below(random, 0.0, 60.0, 100.0)
            caps.append(Cap("port", "port", toward, mouth))
        caps.append(treble)
        if _apart(caps, radius):
            break
    volume = 4 / 3 * np.pi * radius**3
    # What a tester writes down as width, height and depth has another volume than the sphere.
    wide, deep = random.uniform(0.75, 1.05), random.uniform(0.75, 1.25)
    edge = float((volume * random.uniform(0.7, 1.4) / deep) ** (1 / 3))
    stated = tuple(round(v, 3) for v in (edge * wide, edge / wide, edge * deep))
    return SphereBody(radius, tuple(caps), (stated[0], stated[1], stated[2]))


def _below(random: Random, about_deg: float, low_deg: float, high_deg: float) -> tuple[float, float, float]:
    """A unit vector in the middle plane, so many degrees below the front (0) or rear (180) axis."""
    angle = np.radians(random.uniform(low_deg, high_deg))
    forward = 1.0 if about_deg == 0.0 else -1.0
    return float(forward * np.cos(angle)), 0.0, float(-np.sin(angle))


def _apart(caps: list[Cap], radius_m: float) -> bool:
    for i, one in enumerate(caps):
        for other in caps[:i]:
            between = float(np.arccos(np.clip(np.dot(one.toward, other.toward), -1.0, 1.0)))
            rims = float(np.arcsin(one.radius_m / radius_m) + np.arcsin(other.radius_m / radius_m))
            if between < 1.08 * rims:
                return False
    return True


def is_symmetric(one: Loudspeaker) -> bool:
    """Whether left and right are alike."""
    body = one.body
    aside = stored(body.name)["middle_m"][1] if isinstance(body, BoxBody) else 0.0
    return all(abs(r.center_m[1]) < 1e-6 for r in body.radiators) and abs(float(aside)) < 1e-6
