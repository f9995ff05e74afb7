"""From near fields to the bass: on spheres by an independent series, on boxes by independent boundary elements.

The box data are described in tests/reduce/data/README.md; C9.5 are rows of the reference on doubt.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy.special import eval_legendre, spherical_jn, spherical_yn

from earwitness.dsp.box_field import axial_pressure
from earwitness.dsp.spherical import cap_diffraction
from earwitness.quantities import Directions, cta_orbits, from_orbit, report_axis
from earwitness.reduce.nearfield import total as total_module
from earwitness.reduce.nearfield.body import (
    Body,
    NearPart,
    body_of,
    fault_of_place,
    fields_of,
    highest_hz,
    missing_near_field,
    near_part_limits,
    seats_of,
)
from earwitness.reduce.nearfield.total import Bass, bass_of, condition_of, near_causes, seated
from earwitness.session.record import Driver, Loudspeaker

C, RHO = 343.0, 1.204
DATA = Path(__file__).parent / "data" / "rigid_boxes.npz"
HZ = report_axis().hz[:260:4]
FRONT = from_orbit("horizontal", [0.0])
SPHERE_M = 0.15
# A sphere of 0.15 m as a cabinet: its volume as a cube.
SIDE_M = (4 / 3 * np.pi) ** (1 / 3) * SPHERE_M


def driver(
    radius_m: float, place: tuple[float, float, float] = (0.0, 0.0, 0.0), kind: str = "cone", **more: object
) -> Driver:
    told = {"name": kind, "kind": kind, "diameter_m": 2 * radius_m, "position_m": place, **more}
    return Driver.model_validate(told, strict=False)


def loudspeaker(*drivers: Driver, size: tuple[float, float, float] = (0.21, 0.36, 0.30), **more: object) -> Loudspeaker:
    width, height, depth = size
    told = {
        "name": "One", "maker": "None", "type": "other", "enclosure": "vented", "reference_axis": "ahead",
        "width_m": width, "height_m": height, "depth_m": depth, "driver": [one.model_dump() for one in drivers], **more,
    }  # fmt: skip
    return Loudspeaker.model_validate(told, strict=False)


def bass(
    parts: list[NearPart], told: Loudspeaker, hz: np.ndarray = HZ, directions: Directions = FRONT, **more: float
) -> Bass:
    body = body_of(told)
    seats = seated(parts, body)
    assert not isinstance(seats, str), seats
    found = bass_of(parts, hz, body, seats, directions, **({"speed_of_sound": C} | more))
    assert isinstance(found, Bass), found
    return found


@pytest.mark.parametrize(
    ("radius_m", "expected"),
    # s3.ka1_freq_Hz_a_0.05_0.065_0.08_0.1_0.125
    [(0.05, 1091.8029096104021), (0.065, 839.8483920080015), (0.08, 682.3768185065012), (0.1, 545.9014548052011),
     (0.125, 436.7211638441608)],
)  # fmt: skip
def test_highest_frequency_is_ka_1(radius_m: float, expected: float) -> None:
    assert near_part_limits(driver(radius_m), C) == pytest.approx(expected, rel=1e-12)


def test_highest_frequency_is_that_of_the_largest_cone_or_of_ports_alone() -> None:
    def limit(*drivers: Driver) -> float:
        return highest_hz([NearPart(one, np.ones(1, complex), 0.0) for one in drivers], 343.0)

    # ka = 1 (D. B. Keele, J. Audio Eng. Soc. 22, 1974).
    by_radius = {a: 343.0 / (2 * np.pi * a) for a in (0.04, 0.08, 0.1)}
    assert limit(driver(0.04), driver(0.08)) == pytest.approx(by_radius[0.08])
    assert limit(driver(0.04), driver(0.1, kind="passive radiator")) == pytest.approx(by_radius[0.04])
    assert limit(driver(0.1, kind="port"), driver(0.04, kind="port")) == pytest.approx(by_radius[0.1])


def cap_series(ka: np.ndarray, half_angle: float, cosine: float, ratio: float) -> np.ndarray:
    """Whole series at moderate orders, then its static rest; written apart from the code under test."""
    total = np.zeros(ka.size, complex)
    for n in range(800):
        p_low, p_high = eval_legendre(max(n - 1, 0), np.cos(half_angle)), eval_legendre(n + 1, np.cos(half_angle))
        u = ((p_low if n else 1.0) - p_high) / (1 - np.cos(half_angle))
        if n < 20:
            h = spherical_jn(n, ka * ratio) - 1j * spherical_yn(n, ka * ratio)
            slope = spherical_jn(n, ka, derivative=True) - 1j * spherical_yn(n, ka, derivative=True)
            radial = -h / slope / ka
        else:
            radial = ratio ** -(n + 1.0) / (n + 1.0)
        total = total + u * eval_legendre(n, cosine) * radial
    return total


def test_sphere_with_two_caps_gives_back_what_it_radiates() -> None:
    """Every microphone hears both caps; the far field of both, one of them at the rear, must come back.

    Near field summed here from the full series with 800 dynamic orders, evaluated with scipy's Bessel functions.
    """
    gap_m = 0.004
    hz = np.array([30.0, 120.0, 400.0])
    k = 2 * np.pi * hz / C
    tilt = np.deg2rad(25.0)
    axes = np.array([[np.cos(tilt), 0.0, -np.sin(tilt)], [-1.0, 0.0, 0.0]])
    radii, velocity = (0.06, 0.025), np.array([[1.0, 0.5, 0.2], [-4.0, 2.0j, 0.1]])
    flow = velocity * np.pi * np.square(radii)[:, None]
    parts = []
    for i, kind in enumerate(("cone", "passive radiator")):
        heard = sum(
            1j * k * C * RHO * flow[j] / (4 * np.pi * SPHERE_M)
            * cap_series(k * SPHERE_M, np.arcsin(radii[j] / SPHERE_M), float(axes[i] @ axes[j]), 1 + gap_m / SPHERE_M)
            for j in range(2)
        )  # fmt: skip
        place = SPHERE_M * (axes[i] - np.array([1.0, 0.0, 0.0]))
        parts.append(NearPart(driver(radii[i], tuple(map(float, place)), kind), heard, gap_m))
    orbit = cta_orbits(30.0)
    told = loudspeaker(*(part.driver for part in parts), size=(SIDE_M, SIDE_M, SIDE_M), shape="sphere")
    got = bass(parts, told, hz, orbit).far()
    exact = sum(
        1j * k * C * RHO * flow[j] / (4 * np.pi)
        * cap_diffraction(k * SPHERE_M, float(np.arcsin(radii[j] / SPHERE_M)), orbit.unit_vectors() @ axes[j])
        for j in range(2)
    ) * np.exp(-1j * k * SPHERE_M * orbit.unit_vectors()[:, :1])  # fmt: skip
    assert np.abs(got[:, :2] - exact[:, :2]).max(axis=0) == pytest.approx(0, abs=5e-3 * np.abs(exact[:, :2]).max())


def test_baffle_step_of_a_sphere_depends_on_the_angle() -> None:
    # s6.cap_alpha30_onaxis_re_monopole_dB_ka1.0 and s6.cap_alpha30_ka1.0_dB_at_30_60_90_120_150_180
    hz = np.array([20.0, C / (2 * np.pi * SPHERE_M)])
    body = body_of(loudspeaker(driver(SPHERE_M / 2), size=(SIDE_M, SIDE_M, SIDE_M), shape="sphere"))
    orbit = from_orbit("horizontal", [0.0, 30.0, 60.0, 90.0, 120.0, 150.0, 180.0])
    found = fields_of(body, [seats_of(driver(SPHERE_M / 2), body)], [0.0], hz, orbit.unit_vectors(), speed_of_sound=C)
    level = 20 * np.log10(np.abs(found.far[:, 1, 0]) * 4 * np.pi)
    assert level[0] == pytest.approx(2.857827060029136, abs=5e-3)
    assert level[1:] - level[0] == pytest.approx(
        [-0.4244771692086764, -1.717189668496837, -3.5841455200143697, -4.347378343047693, -3.287164376024021,
         -2.6259099753094506], abs=5e-3,
    )  # fmt: skip


class Box:
    """One box of the data, with flows of its own in each part."""

    def __init__(self, name: str, place_off_m: float = 0.0, seed: int = 0) -> None:
        data = np.load(DATA)
        get = {key: data[f"{name}_{key}"] for key in ("hz", "place_m", "radius_m", "whd_m", "middle_m", "direction")}
        self.hz = get["hz"]
        draw = np.random.default_rng(seed)
        names = [str(one) for one in data[f"{name}_name"]]
        drivers = [
            driver(
                float(radius),
                tuple(map(float, place + place_off_m * draw.normal(size=3) * [0.3, 1, 1])),
                "port" if label == "port" else "cone",
                name=label,
            )
            for label, place, radius in zip(names, get["place_m"], get["radius_m"], strict=True)
        ]
        width, height, depth = map(float, get["whd_m"])
        self.told = loudspeaker(
            *drivers,
            size=(width, height, depth),
            reference_below_top_m=height / 2 + float(get["middle_m"][2]),
            reference_left_m=-float(get["middle_m"][1]),
        )
        # Cones alike, a port that falls 12 dB an octave above 45 Hz and cancels below, per V.
        x = self.hz / 45.0
        cone = 1e-3 / (1 + 1j * x)
        flow = np.stack([-cone / (1 - x**2 + 0.15j * x) if label == "port" else cone for label in names])
        self.far = np.einsum("fsd,sf->df", data[f"{name}_far"], flow)
        self.there = np.einsum("fsd,sf->df", data[f"{name}_at_2m"], flow) * 2.0
        heard = np.einsum("fsm,sf->mf", data[f"{name}_near"], flow)
        self.parts = [NearPart(one, row, 0.005) for one, row in zip(drivers, heard, strict=True)]
        unit = get["direction"]
        self.directions = Directions(np.arctan2(unit[:, 1], unit[:, 0]), np.arcsin(np.clip(unit[:, 2], -1, 1)))

    def read(self) -> Bass:
        return bass(self.parts, self.told, self.hz, self.directions, speed_of_sound=343.2, distance_m=2.0)


@cache
def box(name: str) -> tuple[Box, Bass]:
    one = Box(name)
    return one, one.read()


@pytest.mark.parametrize("name", ["A", "C", "D", "H"])
def test_the_bass_of_a_real_box_comes_back(name: str) -> None:
    """Nothing of the model was set by any of them; within 0.2 dB to 254 Hz and 0.3 dB to 640 Hz on axis."""
    one, found = box(name)
    error = 20 * np.log10(np.abs(found.far()[0] / one.far[0]))
    assert np.abs(error[:4]).max() < 0.2
    assert np.abs(error).max() < 0.3


@pytest.mark.parametrize("name", ["A", "C", "D", "H"])
def test_the_distance_effect_of_a_real_box_comes_back(name: str) -> None:
    """From 2 m to the far field: what the former sphere model added wrongly (1.3 dB at 640 Hz, where 0 to 0.3 is true).

    Directions within 15 dB of the loudest, where it stays under the 6 dB at which it is held.
    """
    one, found = box(name)
    true = 20 * np.log10(np.abs(one.far / one.there))
    got = 20 * np.log10(np.abs(found.to_far_field(one.there)))
    level = 20 * np.log10(np.abs(one.far))
    loud = (level > level.max(axis=0) - 15) & (np.abs(true) < 5)
    assert np.abs(np.where(loud, got - true, 0.0)).max() < 0.2
    assert np.abs(true[loud]).max() > 0.3


def test_places_off_by_a_tape_measure_stay_inside_their_causes() -> None:
    """1 cm in both directions of the face, as the causes say: the error of the bass over twice their root sum."""
    ratios = []
    for seed in range(12):
        one = Box("A", 0.01, seed)
        found = one.read()
        causes = near_causes(
            found, one.directions, speed_of_sound=343.2, other_shape=False, port_u_db=None
        )  # fmt: skip
        places = np.sqrt(sum(c.pull_db[0] ** 2 for c in causes if c.name.startswith("place of")))
        ratios.append(20 * np.log10(np.abs(found.far()[0] / one.far[0]))[:4] / places[:4])
    inside = np.mean(np.abs(ratios) < 2)
    assert 0.8 <= inside <= 1.0
    assert 0.4 < np.sqrt(np.mean(np.square(ratios))) < 1.6


def test_condition_of_ports_under_a_woofer() -> None:
    """C9.5, plane model: port 9.5 and 6 cm below the woofer: 1.6 and 2.5 (radii sum to 9 cm)."""
    told = loudspeaker(driver(0.065), size=(0.21, 0.36, 0.30), reference_below_top_m=0.09)
    body = body_of(told)
    for apart, expected in ((0.095, 1.6), (0.06, 2.5)):
        seats = [seats_of(driver(a, (0, 0, z)), body) for a, z in ((0.065, -0.12), (0.025, -0.12 - apart))]
        found = fields_of(body, seats, [0.005, 0.005], np.array([30.0, 60.0]), FRONT.unit_vectors(), speed_of_sound=C)
        assert condition_of(found.reading) == pytest.approx(expected, rel=0.1)


def test_two_alike_counted_are_two_drivers() -> None:
    """count = 2 about one place, and two drivers of that spacing with a near field each."""
    k = 2 * np.pi * HZ / C
    heard = axial_pressure(k, 0.05, 0.004) * np.exp(-0.3j)
    apart = 1.15 * 0.1
    pair = driver(0.05, (0.0, 0.0, -0.2), count=2)
    size = (0.2, 0.6, 0.3)
    single = [driver(0.05, (0.0, 0.0, -0.2 + sign * apart / 2), name=f"{sign}") for sign in (-1, 1)]
    told = {"size": size, "reference_below_top_m": 0.1}
    counted = bass([NearPart(pair, heard, 0.004)], loudspeaker(pair, **told), directions=cta_orbits(60.0))
    both = [NearPart(one, heard, 0.004) for one in single]
    apart_read = bass(both, loudspeaker(*single, **told), directions=cta_orbits(60.0))
    # The two of a pair hear alike only as far as the box ends alike above and below them.
    assert counted.far() == pytest.approx(apart_read.far(), rel=0.01)


def test_a_rear_port_sits_at_the_rear() -> None:
    rear = driver(0.03, (-0.28, 0, 0), "port")
    part = NearPart(rear, np.ones(HZ.size, complex), 0.0)
    ahead, behind = bass(
        [part], loudspeaker(rear, size=(0.2, 0.35, 0.28)), directions=from_orbit("horizontal", [0, 180])
    ).far()
    assert np.abs(behind[-1]) > 1.5 * np.abs(ahead[-1])


def test_a_rear_port_in_the_middle_of_the_rear_of_a_sphere() -> None:
    body = body_of(loudspeaker(driver(0.05), size=(SIDE_M, SIDE_M, SIDE_M), shape="sphere"))
    (seat,) = seats_of(driver(0.03, (-2 * SPHERE_M, 0, 0), "port"), body)
    assert seat.outward == pytest.approx([-1.0, 0.0, 0.0])


def test_places_counted_from_elsewhere_are_told_with_what_fits() -> None:
    body = body_of(loudspeaker(driver(0.065, (0, 0, -0.1)), reference_below_top_m=0.09))
    assert fault_of_place(driver(0.065, (0, 0, -0.1)), body) == ""
    assert fault_of_place(driver(0.03, (-0.3, 0, -0.1), "port"), body) == ""
    from_the_middle = fault_of_place(driver(0.065, (0.15, 0, -0.1)), body)
    assert from_the_middle.startswith("The position_m of cone seems to count from the middle of the cabinet")
    assert "[0, 0, -0.1] would fit" in from_the_middle
    # Half the depth inside: by the radius of a sphere, or from the middle.
    assert "[-0.3, 0, 0] would fit" in fault_of_place(driver(0.03, (-0.15, 0, 0), "port"), body)
    assert "outside" in fault_of_place(driver(0.03, (0.0, 0.0, -0.6), "port"), body)


def test_parts_in_one_place_are_refused() -> None:
    parts = [
        NearPart(driver(a, kind=kind), np.ones(HZ.size, complex), 0.0) for a, kind in ((0.06, "cone"), (0.03, "port"))
    ]
    told = loudspeaker(*(part.driver for part in parts))
    reason = seated(parts, body_of(told))
    assert isinstance(reason, str)
    assert "cone and port lie in each other" in reason
    assert "position_m" in reason


def test_a_leak_that_cannot_be_taken_apart_is_refused() -> None:
    cone, port = driver(0.065, (0, 0, -0.12)), driver(0.025, (0, 0, -0.177), "port")
    parts = [NearPart(one, np.ones(2, complex), 0.005) for one in (cone, port)]
    told = loudspeaker(cone, port, reference_below_top_m=0.09)
    seats = seated(parts, body_of(told))
    assert not isinstance(seats, str)
    found = bass_of(parts, np.array([30.0, 60.0]), body_of(told), seats, FRONT, speed_of_sound=C)
    limit = total_module.HIGHEST_CONDITION
    assert isinstance(found, Bass)
    assert condition_of(found.fields.reading) < limit
    nearer = [parts[0], NearPart(driver(0.06, (0, 0, -0.2), "port"), np.ones(2, complex), 0.005)]
    close = seated(nearer, body_of(told))
    assert not isinstance(close, str)
    reason = bass_of(nearer, np.array([30.0, 60.0]), body_of(told), close, FRONT, speed_of_sound=C)
    assert isinstance(reason, (str, Bass))


def test_where_the_reference_point_lies() -> None:
    stated = body_of(loudspeaker(driver(0.05), reference_below_top_m=0.09, reference_left_m=0.03))
    assert stated.middle_m == pytest.approx([-0.15, -0.03, -0.09])
    assert stated.middle_u_m == 0.0
    inferred = body_of(loudspeaker(driver(0.0125), driver(0.065, (0, 0, -0.15)), driver(0.025, (0, 0, -0.245), "port")))
    # The drivers leave 9 cm - 1.25 cm of play for the top.
    assert inferred.middle_u_m == pytest.approx((0.09 - 0.0125) / np.sqrt(12))
    assert abs(inferred.middle_m[2] - (-0.09)) < 2 * inferred.middle_u_m


def port_weight(cone: Driver, port: Driver, *, level: float = 0.9) -> np.ndarray:
    """(F,) how much of a port is taken whose sound falls 12 dB an octave from 40 Hz on, beside a steady cone."""
    k = 2 * np.pi * HZ / C
    read = {one.name: axial_pressure(k, one.diameter_m / 2, 0.0) * np.pi * one.diameter_m / 2 for one in (cone, port)}
    falling = level * np.minimum(1.0, (40.0 / HZ) ** 2)
    strengths = np.stack([np.ones(HZ.size) * cone.diameter_m, falling * port.diameter_m]).astype(complex)
    parts = [NearPart(cone, read[cone.name], 0.0), NearPart(port, read[port.name], 0.0)]
    return total_module._port_fades(parts, strengths, HZ)[1]


@pytest.mark.parametrize(
    ("radius_m", "apart_m", "drowned_hz"),
    [
        # Leak a / (2 d) = 0.2 of the cone, half of that is the margin: 0.9 (40 / f)^2 = 0.2 / 2.
        (0.08, 0.2, 40.0 * np.sqrt(0.9 / (0.2 * 10 ** (-6 / 20)))),
        # Farther off, less leak.
        (0.08, 0.4, 40.0 * np.sqrt(0.9 / (0.1 * 10 ** (-6 / 20)))),
        (0.04, 0.2, 40.0 * np.sqrt(0.9 / (0.1 * 10 ** (-6 / 20)))),
    ],
)
def test_a_port_fades_over_an_octave_from_where_the_leak_comes_near(
    radius_m: float, apart_m: float, drowned_hz: float
) -> None:
    weight = port_weight(driver(radius_m), driver(0.03, (0.0, 0.0, -apart_m), "port"))
    assert weight[drowned_hz / 1.07 > HZ] == pytest.approx(1.0, abs=2e-3)
    middle = int(np.argmin(np.abs(HZ - drowned_hz * np.sqrt(2.0))))
    assert weight[middle] == pytest.approx(0.5, abs=0.15)
    assert weight[drowned_hz * 2.14 < HZ] == pytest.approx(0.0, abs=1e-9)


def test_cones_do_not_fade_and_passive_radiators_do() -> None:
    cone, other = driver(0.08), driver(0.03, (0.0, 0.0, -0.2), "passive radiator")
    assert port_weight(cone, other).min() == pytest.approx(0.0, abs=1e-9)
    assert port_weight(cone, driver(0.03, (0.0, 0.0, -0.2), name="second")) == pytest.approx(1.0)


def test_what_does_not_make_up_the_bass() -> None:
    told = loudspeaker(driver(0.06), driver(0.03, (0, 0, -0.2), "port"))
    cone = NearPart(told.drivers[0], np.ones(1, complex), 0.0)
    port = NearPart(told.drivers[1], np.ones(1, complex), 0.0)
    assert "close to port" in missing_near_field([cone], told, shared=True)
    assert missing_near_field([cone, port], told, shared=True) == ""
    assert "do not start together" in missing_near_field([cone, port], told, shared=False)


def test_refuses_nothing_and_other_lengths() -> None:
    told = loudspeaker(driver(0.05))
    body = body_of(told)
    with pytest.raises(ValueError, match="at least one part"):
        bass_of([], HZ, body, (), FRONT, speed_of_sound=C)
    part = NearPart(driver(0.05), np.ones(3, complex), 0.0)
    with pytest.raises(ValueError, match="frequencies"):
        bass_of([part], HZ, body, (seats_of(part.driver, body),), FRONT, speed_of_sound=C)


@pytest.mark.parametrize(
    ("size", "distance_m"),
    [((0.3, 0.5, 0.35), 0.5), ((0.45, 0.45, 0.45), 0.6), ((0.4, 1.3, 0.5), 0.8), ((0.5, 1.6, 0.6), 1.0)],
)
@pytest.mark.parametrize("shape", ["box", "sphere"])
def test_nothing_breaks_near_the_cabinet(size: tuple[float, float, float], distance_m: float, shape: str) -> None:
    """A rear take so near that the former series ended: levels stay finite, and 6 dB is the most that is changed."""
    cone, port = driver(0.08, (0, 0, -0.12)), driver(0.03, (0, 0, -0.27), "passive radiator")
    if shape == "sphere":
        body = body_of(loudspeaker(cone, size=size, shape="sphere"))
        cone, port = (on_sphere(one, body) for one in (cone, port))
    told = loudspeaker(cone, port, size=size, shape=shape)
    parts = [NearPart(one, np.ones(HZ.size, complex), 0.005) for one in (cone, port)]
    found = bass(parts, told, directions=from_orbit("horizontal", [0, 90, 180]), distance_m=distance_m)
    factor = found.to_far_field(found.there())
    assert np.isfinite(factor).all()
    assert np.abs(factor).max() < 10 ** (6.01 / 20)


def on_sphere(one: Driver, body: Body) -> Driver:
    (seat,) = seats_of(one, body)
    return one.model_copy(update={"position_m": tuple(map(float, seat.place_m + body.middle_m))})
