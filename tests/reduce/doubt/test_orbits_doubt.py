"""Two orbits that meet: gains, signs of angles and late takes, on two point sources one above the other."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import fft

from earwitness.reduce.flags import TakeFacts
from earwitness.reduce.orbit_checks import gain_flags, late_flags, mirrored_flags
from earwitness.session.record import Driver

RATE, C = 48_000.0, 343.0
DRIVERS = [
    Driver(name="woofer", kind="cone", diameter_m=0.13, position_m=(0.0, 0.0, -0.12)),
    Driver(name="tweeter", kind="dome", diameter_m=0.025),
]


def fact(orbit: str, angle: float, gain_db: float = 0.0, late_s: float = 0.0) -> TakeFacts:
    """A woofer 12 cm under a tweeter, far away: p = low exp(-j w h sin(angle) / c) + high (closed form)."""
    n = 960
    hz = np.maximum(fft.rfftfreq(n, 1 / RATE), 1.0)
    low, high = 1 / (1 + (hz / 1500) ** 4), 1 / (1 + (1500 / hz) ** 4)
    up = math.sin(math.radians(angle)) if orbit == "vertical" else 0.0
    arrival = 2.0 / C + late_s
    woofer = low * (hz**2 / (hz**2 + 60**2)) * np.exp(-2j * np.pi * hz * 0.12 * up / C)
    h = (woofer + high) * np.exp(-2j * np.pi * hz * 5e-3)
    level = -1.0 + 1.0 * math.cos(math.radians(angle)) + gain_db
    return TakeFacts(
        f"{orbit[0]}_{angle:g}", orbit, angle, 2.0, RATE, 0.2, 0, arrival, True, fft.irfft(h, n) * 10 ** (gain_db / 20),
        RATE, level, -80.0,
    )  # fmt: skip


def orbits(gain_db: float = 0.0, step: int = 10) -> list[TakeFacts]:
    across = [fact("horizontal", float(a)) for a in range(-180 + step, 181, step)]
    upright = [fact("vertical", float(a), gain_db) for a in range(-180 + step, 181, step) if a not in (0, 180)]
    return across + upright


def test_orbits_of_one_gain_meet() -> None:
    for step in (10, 20, 30):
        assert gain_flags(orbits(step=step)) == []


@pytest.mark.parametrize(("gain_db", "step"), [(1.0, 10), (-0.5, 10), (3.0, 30), (-1.0, 20)])
def test_a_gain_between_the_orbits_is_told(gain_db: float, step: int) -> None:
    (flag,) = gain_flags(orbits(gain_db, step))
    assert flag.number == pytest.approx(gain_db, abs=0.1)
    assert set(flag.takes) == {one.id for one in orbits(step=step) if one.orbit == "vertical"}


def test_vertical_angles_count_upward() -> None:
    right = orbits()
    assert mirrored_flags(right, DRIVERS, C) == []
    turned = [replace(one, angle_deg=-(one.angle_deg or 0.0)) if one.orbit == "vertical" else one for one in right]
    (flag,) = mirrored_flags(turned, DRIVERS, C)
    assert flag.number == pytest.approx(-0.12, abs=0.02)
    assert "wrong sign" in flag.sentence


def test_without_places_or_with_drivers_in_one_place_nothing_is_told() -> None:
    turned = [replace(one, angle_deg=-(one.angle_deg or 0.0)) for one in orbits()]
    flat = [one.model_copy(update={"position_m": (0.0, 0.0, 0.0)}) for one in DRIVERS]
    assert mirrored_flags(turned, flat, C) == []
    assert mirrored_flags(turned, DRIVERS[:1], C) == []


def test_a_take_that_starts_late_is_named() -> None:
    facts = orbits()
    assert late_flags(facts) == []
    row = next(i for i, one in enumerate(facts) if one.id == "h_90")
    facts[row] = replace(facts[row], arrival_s=facts[row].arrival_s + 53 / RATE)
    (flag,) = late_flags(facts)
    assert flag.takes == ("h_90",)
    assert flag.number == pytest.approx(1e3 * 53 / RATE, rel=0.05)
