"""The cabinet's model against a boundary element solver of its own, which is first held to the sphere's series."""

from __future__ import annotations

import boundary_truth as bt
import numpy as np
import pytest
import scipy.special as special
from box_in_room import SIZE_M, SPEED_M_S, box_scan

from earwitness.quantities.directions import cta_orbits
from earwitness.reduce.separate import far_pressure, far_u_db, separate

RADIUS_M = 0.18
LOOK = cta_orbits().unit_vectors()


def hankel_slope(n: np.ndarray, x: float) -> np.ndarray:
    return special.spherical_jn(n, x, derivative=True) - 1j * special.spherical_yn(n, x, derivative=True)


def relative(ours: np.ndarray, truth: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.abs(ours - truth) ** 2) / np.mean(np.abs(truth) ** 2)))


@pytest.mark.slow
@pytest.mark.parametrize(("hz", "count"), [(500.0, 12), (953.3, 14), (2000.0, 16)])
def test_boundary_elements_of_a_sphere_meet_the_series(hz: float, count: int) -> None:
    # Morse and Ingard, Theoretical Acoustics, 7.2 and 8.2 (from memory): a cap set in a rigid sphere, and a plane wave
    # scattered by it, far field. At 953.3 Hz k a is pi, where the plain equation has no unique answer.
    k = 2 * np.pi * hz / 343.2
    surface = bt.sphere(RADIUS_M, count)
    body = bt.Body(surface, k)
    n = np.arange(int(k * RADIUS_M) + 18)
    cos = np.linspace(-1, 1, 41)
    look = np.stack([np.sqrt(1 - cos**2), 0 * cos, cos], axis=1)
    legendre = np.array([special.eval_legendre(one, cos) for one in n])
    spread = 1j ** (n + 1) / k

    pressure = body.pressure(None, np.exp(-1j * k * body.places()[:, 2]))
    ratio = special.spherical_jn(n, k * RADIUS_M, derivative=True) / hankel_slope(n, k * RADIUS_M)
    series = (-(2 * n + 1) * (-1j) ** n * ratio * spread) @ legendre
    assert relative(bt.far_field(surface, k, look, pressure, None), series) < 0.01

    edge, (place, _normal, weight) = np.cos(0.6), surface.fine
    share = (np.where(place[..., 2] > RADIUS_M * edge, weight, 0.0)).sum(axis=1) / surface.area
    # The staircase of the cap's edge is brought to the cap's own area.
    slope = (share * 2 * np.pi * RADIUS_M**2 * (1 - edge) / np.sum(share * surface.area)).astype(complex)
    pressure = body.pressure(slope, None)
    below = np.concatenate([[1.0], special.eval_legendre(n[1:] - 1, edge)])
    motion = (below - special.eval_legendre(n + 1, edge)) / 2
    series = (motion / (k * hankel_slope(n, k * RADIUS_M)) * spread) @ legendre
    assert relative(bt.far_field(surface, k, look, pressure, slope), series) < 0.01


@pytest.mark.slow
def test_a_vibrating_box_in_a_live_room_comes_out_clean() -> None:
    # Aim of the field-separation reference: 0.2 dB rms over the CTA grid to 2 kHz, cabinet known 4 mm wrong; its
    # prototype reached 0.01 dB at 500 Hz and 0.08 dB at 1.6 kHz, and 0.34 and 1.13 dB untreated.
    hz = np.array([500.0, 1600.0])
    scan = box_scan(hz, LOOK)
    rms: dict[str, np.ndarray] = {}
    for name, body, wrong_m in (("none", "none", 0.0), ("true", "box", 0.0), ("wrong", "box", 0.004)):
        depth, width, height = SIZE_M - wrong_m
        found = separate(
            scan.points_m, scan.heard, hz, cabinet_m=(width, height, depth), speed_of_sound=SPEED_M_S, body=body
        )
        error = 20 * np.log10(np.abs(far_pressure(found.field, LOOK)) / np.abs(scan.truth))
        rms[name] = np.sqrt(np.mean(error**2, axis=0))
        if body == "box":
            assert np.mean(np.abs(error) <= 2 * far_u_db(found.field, LOOK)) >= 0.9
    assert (rms["true"] <= [0.03, 0.1]).all()
    assert (rms["wrong"] <= [0.06, 0.2]).all()
    assert (rms["none"] >= [0.5, 1.0]).all()
