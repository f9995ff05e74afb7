"""Outgoing waves alone, center found by the data, and the joint with the separation below."""

from __future__ import annotations

import made_scan as made
import numpy as np

from earwitness.quantities.directions import cta_orbits
from earwitness.reduce.separate import combined, far_pressure, separate, separate_gated

HZ = np.array([300.0, 500.0, 800.0, 1200.0, 1800.0, 2500.0, 3500.0])
K = 2 * np.pi * HZ / made.SPEED_M_S
POINTS = np.concatenate([made.ring_sphere(0.42, 14, 28), made.ring_sphere(0.47, 14, 28)])
TWEETER = np.array([[0.10, 0.0, 0.12]])
CABINET = (0.2, 0.34, 0.24)
LOOK = cta_orbits().unit_vectors()


def test_the_center_goes_to_the_source_and_the_joint_is_where_errors_cross() -> None:
    rng = np.random.default_rng(9)
    direct = made.monopoles(POINTS, TWEETER, np.ones(1), K)
    noise = 1.5e-3 * (rng.normal(size=direct.shape) + 1j * rng.normal(size=direct.shape))
    room = made.monopoles(POINTS, made.FAR, made.FAR_STRENGTH, K)
    told = {"cabinet_m": CABINET, "speed_of_sound": made.SPEED_M_S}
    low = separate(POINTS, direct + room + noise, HZ, body="none", **told)
    high = separate_gated(POINTS, direct + noise, HZ, **told)
    assert np.linalg.norm(high.centers[-1].center_m - TWEETER[0]) < 0.04
    assert high.centers[-1].residual_db < high.centers[-1].start_residual_db - 10
    # A gate that is short for 500 Hz: half a decibel there, twice that an octave below.
    joined = combined(low, high, gate_u_db=0.5 * 500 / HZ * np.where(HZ < 600, 4.0, 0.1))
    assert joined.joint_hz is not None
    assert HZ[0] < joined.joint_hz <= 1200
    truth = made.far_monopoles(LOOK, TWEETER, np.ones(1), K)
    error = 20 * np.log10(np.abs(far_pressure(joined.separation.field, LOOK)) / np.abs(truth))
    assert (np.sqrt(np.mean(error**2, axis=0)) <= 0.2).all()
    assert joined.separation.quality.valid.all()
