"""Readings of kinds against closed forms; row ids R.. are those of the reference on rooms and kinds, recomputed there.

Sources: pistons 2 J1(x)/x and Linkwitz-Riley branches (handbooks), the line by its integral and by Fresnel integrals
(scipy), dipoles before a wall by quadrature, a cap on a sphere by its series written out here.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate, special

from earwitness.errors import InputError
from earwitness.figures.kinds import line_length_m
from earwitness.insight import kinds as readings
from earwitness.insight.kinds import KindReading
from earwitness.insight.match.in_room import ListeningRoom
from earwitness.insight.match.plan_room import Plane, plan_room, pressure_gain, radiates_as
from earwitness.quantities import Curve, DirectionalResponse, Figure, FrequencyAxis, Reading, from_orbit
from earwitness.quantities.arrays import FloatArray
from earwitness.quantities.directions import join
from earwitness.session.record import Loudspeaker
from earwitness.session.room_plan import RoomPlan

C = 343.0
HZ = np.geomspace(50.0, 20_000.0, 420)


def piston(x: FloatArray) -> FloatArray:
    x = np.maximum(np.abs(x), 1e-9)
    return 2 * special.j1(x) / x


def lying_center(
    angle_deg: FloatArray, hz: FloatArray = HZ, *, s: float = 0.32, woofer: float = 0.06, tweeter: float = 0.0125,
    crossover_hz: float = 2000.0,
) -> np.ndarray:  # fmt: skip
    """(A, F) woofer, tweeter, woofer side by side, fourth-order Linkwitz-Riley in phase: R8.1 to R8.5."""
    turn = 1j * hz / crossover_hz
    both = (1 + np.sqrt(2) * turn + turn**2) ** 2
    k, sine = 2 * np.pi * hz / C, np.sin(np.radians(angle_deg))[:, None]
    return piston(k * woofer * sine) * np.cos(k * s / 2 * sine) / both + piston(k * tweeter * sine) * turn**4 / both


def response(
    across_of: np.ndarray, angle_deg: FloatArray, *, upright_of: np.ndarray | None = None, u_db: float = 0.0
) -> DirectionalResponse:
    """Both orbits; the vertical one without the axis."""
    off = angle_deg[(angle_deg != 0.0) & (np.abs(angle_deg) != 180.0)]
    upright = np.zeros((0, HZ.size)) if upright_of is None else upright_of
    directions = [from_orbit("horizontal", float(a)) for a in angle_deg]
    directions += [from_orbit("vertical", float(a)) for a in off] if upright_of is not None else []
    pressure = np.concatenate([across_of, upright]).astype(complex)
    shape = pressure.shape
    return DirectionalResponse(
        FrequencyAxis(HZ), join(directions), pressure, np.full(shape, u_db), np.zeros(shape[1]), np.ones(shape, bool),
        distance_m=2.0,
    )  # fmt: skip


def told(kind: str, **more: object) -> Loudspeaker:
    facts = {
        "name": "One", "maker": "None", "type": kind, "enclosure": "closed", "reference_axis": "ahead",
        "width_m": 0.26, "height_m": 0.4, "depth_m": 0.1, **more,
    }  # fmt: skip
    return Loudspeaker.model_validate(facts, strict=False)


def driver(name: str, kind: str, size: float, y: float, z: float, **more: object) -> dict[str, object]:
    return {"name": name, "kind": kind, "diameter_m": size, "position_m": (0.0, y, z), **more}


STEP_5, STEP_10 = np.arange(-60.0, 60.1, 5.0), np.arange(-60.0, 60.1, 10.0)
SEATS = ((0.3, -0.775), (0.6, -3.135), (0.9, -7.388), (1.2, -15.336))  # R8.8, pointwise


def third_octave_db(away_deg: float, **center: float) -> float:
    """Deepest third octave, energy mean even over log frequency, 300 Hz to 3 kHz."""
    fine = np.geomspace(200.0, 4500.0, 6000)
    energy = np.abs(lying_center(np.array([away_deg]), fine, **center)[0]) ** 2
    centers = fine[(fine >= 300.0) & (fine <= 3000.0)][::10]
    mean = [np.mean(energy[np.abs(np.log2(fine / one)) <= 1 / 6]) for one in centers]
    return float(10 * np.log10(min(mean)))


@pytest.mark.parametrize("angles", [STEP_5, STEP_10])
def test_lobes_of_a_lying_center(angles: FloatArray) -> None:
    """R8.8 as third octaves, and the pointwise row as its floor: an energy mean fills a hole."""
    rows, curves = readings.seat_lobing(response(lying_center(angles), angles), 3.0, (300.0, 3000.0))
    assert [curve.key for curve in curves] == ["seat_0.3", "seat_0.6", "seat_0.9", "seat_1.2"]
    for (_, found), (seat_m, pointwise) in zip(rows, SEATS, strict=True):
        true = third_octave_db(float(np.degrees(np.arctan2(seat_m, 3.0))))
        assert found.value is not None
        assert found.u is not None
        assert found.value == pytest.approx(true, abs=0.35 if angles is STEP_10 else 0.15)
        assert abs(found.value - true) < 2 * found.u
        assert found.value > pointwise - 0.1


@pytest.mark.parametrize(
    ("hz", "wanted"),
    [(500.0, (-0.293, -1.174, -2.646, -5.989)), (1000.0, (-1.140, -5.091, -16.250, -8.858)),
     (1500.0, (-2.120, -10.785, -15.409, -7.986)), (2000.0, (-2.413, -10.380, -22.159, -10.512)),
     (3000.0, (-1.509, -3.217, -2.080, -1.051))],
)  # fmt: skip
def test_the_made_center_is_that_of_the_reference(hz: float, wanted: tuple[float, ...]) -> None:
    """R8.1 to R8.5, so that what is read above is what the rows are of."""
    made = lying_center(np.array([10.0, 20.0, 30.0, 45.0]), np.array([hz]))
    assert 20 * np.log10(np.abs(made[:, 0])) == pytest.approx(wanted, abs=6e-4)


def test_lobes_hold_over_random_centers() -> None:
    """90 to 99.9 % of seats of random centers, rigs and noises lie within the expanded uncertainty."""
    random = np.random.default_rng(404)
    inside = []
    for _ in range(60):
        center = {
            "s": random.uniform(0.2, 0.36), "woofer": random.uniform(0.045, 0.065), "tweeter": 0.0125,
            "crossover_hz": random.uniform(1500.0, 2800.0),
        }  # fmt: skip
        step = STEP_5 if random.random() < 0.5 else STEP_10
        u_db = random.uniform(0.05, 0.4)
        made = lying_center(step, **center)
        made = made * 10 ** (random.standard_normal((step.size, 1)) * u_db / 20)
        rows, _ = readings.seat_lobing(response(made, step, u_db=u_db), 3.0, (300.0, 3000.0))
        for (_, found), (seat_m, _) in zip(rows, SEATS, strict=True):
            true = third_octave_db(float(np.degrees(np.arctan2(seat_m, 3.0))), **center)
            assert found.value is not None
            assert found.u is not None
            inside.append(abs(found.value - true) < 2 * found.u)
    assert 0.9 <= np.mean(inside) <= 0.999


def test_a_center_says_where_its_holes_are() -> None:
    told_of = readings.center(response(lying_center(STEP_5), STEP_5, u_db=0.1), distance_m=3.0)
    assert "stand the loudspeaker upright" in " ".join(told_of.sentences)
    assert any(words.startswith("Across: ") for words in told_of.sentences)
    even = readings.center(response(np.ones((STEP_5.size, HZ.size)), STEP_5, u_db=0.1), distance_m=3.0)
    assert "No side seat loses" in " ".join(even.sentences)


def offset_coaxial(angle_deg: FloatArray, behind_m: float) -> np.ndarray:
    """Two equal parts, one behind the other, aligned on axis: R8.10, R8.11."""
    k = 2 * np.pi * HZ / C
    return np.cos(k * behind_m * (1 - np.cos(np.radians(angle_deg)))[:, None] / 2)


def test_coaxial_drivers_are_alike_on_both_orbits() -> None:
    angles = STEP_10
    made = offset_coaxial(angles, 0.02)
    at = int(np.argmin(np.abs(HZ - 2500.0)))
    k_loss = np.cos(np.pi * HZ[at] / C * 0.02 * (1 - np.cos(np.radians(60.0))))
    assert np.abs(made[angles == 60.0, at]) == pytest.approx(k_loss)
    off = angles[angles != 0.0]
    alike = readings.coaxial(response(made, angles, upright_of=offset_coaxial(off, 0.02), u_db=0.2)).rows[0][1]
    assert alike.value == pytest.approx(0.0, abs=1e-9)
    assert alike.u == pytest.approx(0.2, rel=1e-6)  # two means of two directions
    lobed = readings.coaxial(response(made, angles, upright_of=lying_center(off), u_db=0.2)).rows[0][1]
    assert lobed.value is not None
    assert lobed.value > 3.0
    with pytest.raises(InputError, match="share too few angles"):
        readings.coaxial(response(made, angles))


def test_coaxial_is_told_by_places() -> None:
    one, two = driver("bass", "cone", 0.16, 0.0, 0.0), driver("treble", "dome", 0.025, 0.0, 0.002)
    assert readings.is_coaxial(told("stand-mount", driver=[one, two]))
    assert not readings.is_coaxial(told("stand-mount", driver=[one, driver("treble", "dome", 0.025, 0.0, 0.15)]))
    assert not readings.is_coaxial(told("stand-mount", driver=[one, driver("port", "port", 0.05, 0.0, 0.0)]))


def dipole_response(path_m: float = 0.25) -> DirectionalResponse:
    """Two opposite points path_m apart on the axis."""
    angles = np.arange(-170.0, 180.1, 10.0)
    k, ahead = 2 * np.pi * HZ / C, np.cos(np.radians(angles))[:, None]
    return response(2j * np.sin(k * path_m / 2 * ahead), angles, u_db=0.2)


def figure(told_of: KindReading, key: str) -> Figure:
    return next(one for _, one in told_of.rows if one.key == key)


def test_a_dipole_is_as_loud_behind_and_silent_beside() -> None:
    told_of = readings.dipole(dipole_response())
    assert figure(told_of, "rear_level").value == pytest.approx(0.0, abs=1e-9)
    assert figure(told_of, "side_level").value == -60.0
    # R8.28 at the wall's factor 0.9: |1 - 0.9 exp(-2jkd)|, d from the middle of both points, as third octaves: the null
    # where 2 d is a wave, where a box has a peak.
    dip = figure(told_of, "wall_dip")
    assert dip.caveats == ("at 170 Hz, 1 m before a wall",)
    fine = np.geomspace(C / 2 * 2 ** (-1 / 6), C / 2 * 2 ** (1 / 6), 2001)
    true = 10 * np.log10(np.mean(np.abs(1 - 0.9 * np.exp(-4j * np.pi * fine / C)) ** 2))
    assert dip.value == pytest.approx(true, abs=0.4)
    assert dip.u is not None
    assert dip.u > 0.05
    # R8.26, R8.27: the made dipole itself.
    made = 20 * np.log10(np.abs(2 * np.sin(np.pi * np.array([50.0, 100.0, 200.0, 686.0]) * 0.25 / C)))
    assert made == pytest.approx([-12.823, -6.860, -1.069, 6.021], abs=6e-4)


def test_power_of_a_dipole_before_a_wall() -> None:
    """R8.29, R8.30, and by quadrature over the half space."""
    twice = np.array([0.5, 1.0, 2.0, 3.0, 5.0])
    assert readings.dipole_power_db(twice / 2) == pytest.approx([-11.314, -5.488, -0.258, 1.904, 1.647], abs=6e-4)
    assert readings.dipole_power_db(twice / 2, along=True) == pytest.approx(
        [2.956, 2.796, 2.183, 1.289, -0.255], abs=6e-4
    )
    for u in twice:
        energy = integrate.quad(lambda m, u=u: 1.5 * m * m * abs(1 - np.exp(-1j * u * m)) ** 2, 0, 1)[0]
        assert readings.dipole_power_db(np.array([u / 2]))[0] == pytest.approx(10 * np.log10(energy), abs=1e-6)


def cap_on_sphere(ka: float, half_angle: float, cosine: float) -> complex:
    """Far field of a cap on a rigid sphere about its middle, arbitrary scale, exp(+j w t) (Morse, from memory)."""
    total = 0j
    for n in range(int(ka) + 40):
        slope = special.spherical_jn(n, ka, derivative=True) - 1j * special.spherical_yn(n, ka, derivative=True)
        edge = np.cos(half_angle)
        weight = (special.eval_legendre(n - 1, edge) if n else 1.0) - special.eval_legendre(n + 1, edge)
        total += 0.5 * weight * 1j ** (n + 1) / slope * special.eval_legendre(n, cosine) / ka
    return complex(total)


def test_half_a_sphere_on_a_wall() -> None:
    """R5.13, R5.14: the sound in front and behind of the whole make that of the half on the wall (image theorem)."""
    radius, half_angle = 0.15, np.radians(30.0)
    hz = np.geomspace(50.0, 3000.0, 420)
    angles = np.array([0.0, 180.0])
    turn = np.exp(-1j * np.outer(np.cos(np.radians(angles)), 2 * np.pi * hz / C * radius))
    made = np.array(
        [[cap_on_sphere(2 * np.pi * f / C * radius, half_angle, np.cos(np.radians(a))) for f in hz] for a in angles]
    )
    base = response(np.ones((2, HZ.size)), angles)
    on_axis = replace(base, axis=FrequencyAxis(hz), pressure=made * turn)
    gain = pressure_gain(
        radiates_as(on_axis, hz), hz, np.zeros(3), np.array([1e4, 0.0, 0.0]), (0.0, 0.0), (Plane(0, -radius),), 1.0
    )
    db = 20 * np.log10(np.abs(gain))
    assert hz[np.argmin(db)] == pytest.approx(428.08, rel=0.006)
    assert db.min() == pytest.approx(-10.494, abs=0.03)
    for wanted_hz, wanted_db in ((50.0, 5.856), (200.0, 2.647), (364.0, -6.964), (800.0, 3.353), (3000.0, 0.783)):
        assert np.interp(np.log(wanted_hz), np.log(hz), db) == pytest.approx(wanted_db, abs=0.03)
    # What is told is the third octave about the notch, with a wall that throws 0.9 of the pressure back.
    reading = readings.on_wall(told("on-wall", depth_m=radius, width_m=0.24, height_m=0.24), on_axis)
    dip = figure(reading, "wall_dip")
    assert dip.value is not None
    assert -10.494 < dip.value < -5.0
    assert dip.caveats == ("at 420 Hz, 0.15 m before a wall",)
    assert reading.curves


def test_a_wall_adds_what_the_reference_says() -> None:
    """R5.15 on axis: a flush piston against a cap of the same rim on a sphere of 0.15 m."""
    side = (4 / 3 * np.pi) ** (1 / 3) * 0.15
    size = {"width_m": side, "height_m": side, "depth_m": side}
    box = told("in-wall", driver=[driver("bass", "cone", 0.15, 0.0, 0.0)], **size)
    gain = readings.in_wall_gain_db(box, np.array([50.0, 364.0, 728.0, 1500.0, 3000.0]))
    assert gain == pytest.approx([6.011, 3.162, 1.839, 0.943, 0.753], abs=0.01)


def test_an_in_wall_tells_how_it_was_measured() -> None:
    box = told("in-wall", driver=[driver("bass", "cone", 0.15, 0.0, 0.0)])
    free = readings.in_wall(box, response(np.ones((2, HZ.size)), np.array([0.0, 180.0])), {})
    assert figure(free, "wall_gain").u == 2.0
    assert "Measured free, not in a wall" in free.sentences[0]
    flush = replace(response(np.ones((2, HZ.size)), np.array([0.0, 90.0])), half_space=True)
    with pytest.raises(InputError, match="the half in front"):
        readings.in_wall(box, flush, {})
    axis = FrequencyAxis(HZ)
    index = Curve(
        "sound_power_di", "di", axis, np.full(HZ.size, 7.0), np.full(HZ.size, 0.3), np.zeros(HZ.size),
        np.ones(HZ.size, bool), "dB", "",
    )  # fmt: skip
    told_of = readings.in_wall(box, flush, {"sound_power_di": index})
    # R5.7, R5.12: sphere and hemisphere are 3.01 dB apart.
    assert figure(told_of, "index_sphere").value == pytest.approx(7.0)
    assert figure(told_of, "index_hemisphere").value == pytest.approx(7.0 - 3.0103, abs=1e-4)


def test_level_of_a_line() -> None:
    """R8.19 to R8.21 by the exact integral, R8.18 by Fresnel integrals, R8.25."""
    hz = np.array([8000.0])
    levels = [readings.line_level_db(1.2, hz, d)[0] for d in (1.0, 2.0, 4.0)]
    assert levels == pytest.approx([-16.271, -12.809, -10.166], abs=0.01)
    assert levels[0] - levels[2] + 20 * np.log10(4) == pytest.approx(
        7.309 - (16.271 - 14.825) + 10.166 - 10.093, abs=0.02
    )
    for part, wanted in ((1.0, -0.239), (2.0, -0.060), (4.0, -0.015)):
        distance = part * 1.2**2 * 8000.0 / C
        sine, cosine = special.fresnel(1 / np.sqrt(2 * part))
        fresnel = 20 * np.log10(abs(cosine - 1j * sine) * np.sqrt(2 * part))
        assert fresnel == pytest.approx(wanted, abs=6e-4)
        assert readings.line_level_db(1.2, hz, distance)[0] == pytest.approx(fresnel, abs=0.01)


def test_a_line_says_where_far_field_figures_end() -> None:
    row = [driver("mid", "cone", 0.08, 0.0, 0.0, count=12)]
    column = told("line source", height_m=1.3, driver=[*row, driver("bass", "cone", 0.2, 0.0, -0.6)])
    assert line_length_m(column) == pytest.approx(12 * 0.08)
    told_of = readings.line(column, FrequencyAxis(HZ), measured_m=2.0, distance_m=2.0)
    # R8.22: H^2 / lambda is the microphones' distance there.
    assert pytest.approx(16.793, abs=6e-4) == 1.2**2 * 4000.0 / C
    assert figure(told_of, "far_field_to").value == pytest.approx(C * 2.0 / 0.96**2)
    assert [curve.name for curve in told_of.curves] == ["at 2 m", "at 3 m", "at 4 m"]
    assert all((curve.u[curve.valid] >= 0.0).all() for curve in told_of.curves)
    bar = told("soundbar", width_m=0.9)
    assert line_length_m(bar) == 0.9
    assert "a point source loses 6 dB" in told_of.sentences[1]
    # Close to a long line the treble falls by 3 dB a doubling (handbook), far from a short one by 6 dB.
    for count, lost_db in ((63, 3.0), (3, 6.0)):
        cones = driver("mid", "cone", 0.08, 0.0, 0.0, count=count)
        array = told("line source", height_m=0.08 * count, driver=[cones])
        fall = readings.line(array, FrequencyAxis(HZ), measured_m=2.0, distance_m=2.0).sentences[1]
        assert float(fall.split(" falls by ")[1].split()[0]) == pytest.approx(lost_db, abs=0.7)


def hall() -> tuple[RoomPlan, DirectionalResponse, Reading]:
    """R8.34 to R8.36: a horn 6 m high aimed at the back row, -6 dB at 20 degrees, 105 dB at 1 m, index 12 dB."""
    rows = [{"name": f"row {n}", "row": n, "position_m": (d, 5.0, 1.2)} for n, d in ((1, 8.0), (2, 16.0), (3, 24.0))]
    horn = {"name": "horn", "position_m": (0.0, 5.0, 6.0), "aim_at_m": (24.0, 5.0, 1.2)}
    size = {"length_m": 30.0, "width_m": 20.0, "height_m": 10.0, "reverberation_s": 1.0}
    plan = RoomPlan.model_validate({"room": size, "loudspeaker": [horn], "seat": rows}, strict=False)
    angles = np.arange(-60.0, 60.1, 2.5)
    level = 10 ** (105.0 / 20) * 20e-6 / 2.83 * 10 ** (-6.0206 * (angles / 20) ** 2 / 20)
    flat = np.outer(level, np.ones(HZ.size))
    made = response(flat, angles, upright_of=flat[angles != 0.0], u_db=0.1)
    axis, nothing = FrequencyAxis(HZ), np.zeros(HZ.size)
    power = Curve(
        "sound_power", "p", axis, nothing + 93.0, nothing + 0.3, nothing, np.ones(HZ.size, bool), "dB", ""
    )  # fmt: skip
    facts = (("sensitivity", 105.0), ("highest_clean_level", 125.0), ("nominal_coverage_horizontal", 90.0),
             ("nominal_coverage_vertical", 40.0))  # fmt: skip
    figures = {key: Figure(key, value, 0.5, "dB", (300.0, 3000.0), "") for key, value in facts}
    return plan, made, Reading({"sound_power": power}, figures, {}, {}, {})


def test_rows_of_a_large_room() -> None:
    plan, made, reading = hall()
    room = ListeningRoom(600.0, 10.0, 1.0, None, 1.5)
    at_seats = plan_room(reading, made, plan, room, {"clean": reading.figures["highest_clean_level"]})
    # R8.36; the front row lies nearer than the mean free path, which is the least that Barron's formula is taken for.
    path_m = 4 * 6000.0 / (2 * (600.0 + 300.0 + 200.0))
    assert path_m > 9.33
    kept = 93.0 + 10 * np.log10(16 * np.pi / (24 * np.log(10) / C * 6000.0)) - 60 * path_m / C
    front = 10 * np.log10(10 ** (kept / 10) + 10 ** ((105.0 - 25.211) / 10))
    levels = [at_seats.levels[f"row {n}"]["all"].value for n in (1, 2, 3)]
    assert levels == pytest.approx([front, 81.915, 79.614], abs=0.03)
    told_of = readings.horn(reading.figures, plan, at_seats)
    assert figure(told_of, "front_to_back").value == pytest.approx(front - 79.614, abs=0.04)
    ratio = figure(told_of, "direct_to_reverberant")
    assert ratio.value == pytest.approx(1.347, abs=0.05)
    assert all(one.u is not None and one.u > 0.05 for _, one in told_of.rows)
    assert figure(told_of, "index_of_coverage").value == pytest.approx(11.0929, abs=1e-4)  # R8.31
    assert readings.molloy_index_db(60.0, 40.0) == pytest.approx(12.6199, abs=1e-4)  # R8.32
    assert readings.molloy_index_db(90.0, 60.0) == pytest.approx(9.3920, abs=1e-4)  # R8.33
    # A sine of 125 dB at 1 m peaks 3 dB higher; the room takes 25.4 dB of it (R8.36), 105 dB are asked for.
    left = figure(told_of, "reference_reserve")
    assert left.value == pytest.approx(125.0 + 79.614 - 105.0 + 3.0103 - 105.0, abs=0.04)
    # 105.291 dB/km at 8 kHz, 20 degrees, 50 % (R2.6), over R8.34's 24.475 m.
    assert "Air takes 2.6 dB at 8 kHz" in told_of.sentences[1]


def test_a_horn_without_a_room_has_its_coverage() -> None:
    plan, _, reading = hall()
    alone = readings.horn(reading.figures, plan, None)
    assert alone.sentences == readings.horn(reading.figures, None, None).sentences
    assert "coverage of 90° by 40°" in alone.sentences[0]
    assert readings.horn({}, None, None).rows == ()


def test_reference_levels() -> None:
    """R11.8: 85 - 10 lg n for n channels; the cinema's is that of each channel."""
    assert [readings.reference_db("studio", n)[0] for n in (2, 3, 5, 7)] == pytest.approx(
        [81.9897, 80.2288, 78.0103, 76.5490], abs=1e-4
    )
    assert readings.reference_db("cinema", 3) == (85.0, 20.0)
    assert 10 * np.log10(2 * 10 ** (readings.reference_db("surround")[0] / 10)) == pytest.approx(
        85.0103, abs=1e-4
    )  # R11.10


def test_each_kind_has_its_reading_or_a_reason() -> None:
    angles = np.arange(-170.0, 180.1, 10.0)
    made = response(np.ones((angles.size, HZ.size)), angles, u_db=0.1)
    empty = Reading({}, {}, {}, {}, {})
    kinds = {}
    for kind in (
        "stand-mount",
        "center",
        "in-wall",
        "on-wall",
        "dipole",
        "line source",
        "soundbar",
        "horn",
        "subwoofer",
    ):
        kinds[kind] = readings.reading_of_kind(told(kind), made, empty, distance_m=2.5)
    assert kinds["stand-mount"] is None
    assert kinds["subwoofer"] is None
    for kind in ("center", "in-wall", "on-wall", "dipole", "line source", "soundbar", "horn"):
        found = kinds[kind]
        assert not isinstance(found, str)
        assert found is not None
        assert found.kind == kind
        assert all(one.u is not None and one.u > 0.0 for _, one in found.rows)
    # Without the sound behind a dipole has no reading, and says so.
    front = response(np.ones((STEP_10.size, HZ.size)), STEP_10)
    assert "not known" in str(readings.reading_of_kind(told("dipole"), front, empty, distance_m=2.5))
