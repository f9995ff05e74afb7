"""Near fields in a wall, and the edges of a measuring baffle, against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import j1

from earwitness.quantities import cta_orbits
from earwitness.reduce.budget import edge_change_db
from earwitness.reduce.nearfield.body import NearPart, body_of
from earwitness.reduce.nearfield.total import Bass, bass_of, seated
from earwitness.session.record import Driver, Loudspeaker

C = 343.0
HZ = np.geomspace(20.0, 600.0, 60)
K = 2 * np.pi * HZ / C
WOOFER, PORT = (0.08, -0.13), (0.03, -0.28)


def box(*drivers: Driver) -> Loudspeaker:
    told = {
        "name": "One", "maker": "None", "type": "in-wall", "enclosure": "vented", "reference_axis": "ahead",
        "width_m": 0.27, "height_m": 0.62, "depth_m": 0.1, "driver": [one.model_dump() for one in drivers],
    }  # fmt: skip
    return Loudspeaker.model_validate(told, strict=False)


def driver(name: str, kind: str, place: tuple[float, float]) -> Driver:
    told = {"name": name, "kind": kind, "diameter_m": 2 * place[0], "position_m": (0.0, 0.0, place[1])}
    return Driver.model_validate(told, strict=False)


def own(radius: float, gap: float) -> np.ndarray:
    """Pressure on the axis of a piston in a plane, over j omega rho U: closed form (Kinsler et al., chapter 7)."""
    slant = np.hypot(gap, radius)
    return (np.exp(-1j * K * gap) - np.exp(-1j * K * slant)) / (1j * K * np.pi * radius**2)


def test_near_fields_in_a_wall_make_the_far_field() -> None:
    """Cone and port with planted flows: what both microphones hear by the closed forms, the bass comes back from."""
    flow = {"woofer": 1.0 / (1 + 1j * HZ / 90.0), "port": -0.8j * HZ / 40.0 / (1 + (HZ / 40.0) ** 2)}
    apart, gap = WOOFER[1] - PORT[1], 0.005
    far = np.hypot(gap, apart)
    # The other's sound is that of its flow at its middle: both are small against the wavelength here.
    leak = np.exp(-1j * K * far) / (2 * np.pi * far)
    heard = {
        "woofer": flow["woofer"] * own(WOOFER[0], gap) + flow["port"] * leak,
        "port": flow["port"] * own(PORT[0], gap) + flow["woofer"] * leak,
    }
    told = box(driver("woofer", "cone", WOOFER), driver("port", "port", PORT))
    parts = [NearPart(one, heard[one.name], gap) for one in told.drivers]
    body = body_of(told, half_space=True)
    seats = seated(parts, body)
    assert not isinstance(seats, str)
    directions = cta_orbits()
    front = directions.take(np.flatnonzero(directions.unit_vectors()[:, 0] >= -1e-9))
    found = bass_of(parts, HZ, body, seats, front, speed_of_sound=C, distance_m=2.0)
    assert isinstance(found, Bass), found
    unit = front.unit_vectors()
    true = np.zeros((len(front), HZ.size), dtype=complex)
    for name, (radius, z) in (("woofer", WOOFER), ("port", PORT)):
        x = np.maximum(np.outer(np.linalg.norm(unit[:, 1:], axis=1), K * radius), 1e-9)
        true += flow[name] * 2 * j1(x) / x / (2 * np.pi) * np.exp(1j * np.outer(unit[:, 2] * z, K))
    # The port fades out where the cone's leak drowns it; below, both are all of the sound.
    below = HZ < 120.0
    off = 20 * np.log10(np.abs(found.far()[:, below] / true[:, below]))
    assert np.abs(off).max() < 0.1
    assert found.highest_hz == pytest.approx(C / (2 * np.pi * WOOFER[0]))
    # Twice the free field's pressure for the same flow: half space (R5.12).
    assert np.abs(found.fields.far[0, 0, 0]) == pytest.approx(2 / (4 * np.pi), rel=1e-3)


def test_edges_of_a_baffle() -> None:
    """Small against the wavelength the baffle is not there, 6.02 dB; large and not round its ripple dies away."""
    assert edge_change_db(1.4, 1.7, np.array([1.0]), C)[0] == pytest.approx(-6.0206, abs=0.01)
    treble = edge_change_db(1.4, 1.7, np.geomspace(2000.0, 16_000.0, 200), C)
    assert np.abs(treble).max() < 1.5
    assert abs(treble.mean()) < 0.1
    # A circle of radius b has its edge at one distance: the first peak, |1 + 1/2|, where k b is pi.
    long = edge_change_db(1.0, 1.0, np.array([C / 2 / 0.55]), C)[0]
    assert 1.5 < long < 20 * np.log10(1.5)
