"""Multitone curves and intermodulation against polynomials; C6.x are ids of the metrics reference."""

from __future__ import annotations

import math

import numpy as np
import pytest

from earwitness.dsp.multitone import make_multitone, read_multitone
from earwitness.errors import InputError
from earwitness.figures.tones import intermodulation, multitone_curves
from earwitness.quantities.multitone import MultitoneReading

RATE = 48_000


def _reading(volts: float, bend: float, *, noise: float = 0.0, distance_m: float = 1.0) -> MultitoneReading:
    made = make_multitone(RATE, float(RATE), seed=3)
    x = np.tile(made.samples, (3, 1)) * volts
    heard = x + bend * x**3 + noise * np.random.default_rng(8).standard_normal(x.shape)
    return MultitoneReading(
        "t", volts, distance_m, made.crest_db, read_multitone(heard / distance_m, float(RATE), made.rows)
    )


def test_two_tones_through_a_polynomial() -> None:
    """C6.7: y = x + .05 x^2 + .02 x^3, amplitudes .8 : .2: 7.84468 % and 1.88272 %."""
    time = np.arange(RATE) / RATE
    x = 0.8 * np.sin(2 * np.pi * 60 * time) + 0.2 * np.sin(2 * np.pi * 7000 * time)
    found = intermodulation(x + 0.05 * x**2 + 0.02 * x**3, RATE, 60.0, 7000.0)
    assert found["intermodulation_2"].value == pytest.approx(7.84468, abs=5e-5)
    assert found["intermodulation_3"].value == pytest.approx(1.88272, abs=5e-5)


def test_noise_over_the_side_lines_is_a_bound() -> None:
    time = np.arange(RATE) / RATE
    x = 0.8 * np.sin(2 * np.pi * 60 * time) + 0.2 * np.sin(2 * np.pi * 7000 * time)
    found = intermodulation(x, RATE, 60.0, 7000.0, drive_v=2.0, noise_rms=1e-4)
    assert found["intermodulation_2@2v"].bound == "at most"


@pytest.mark.parametrize(("low", "high"), [(4000.0, 7000.0), (3000.0, 20_000.0)])
def test_side_lines_outside(low: float, high: float) -> None:
    with pytest.raises(InputError, match="side lines"):
        intermodulation(np.ones(RATE), RATE, low, high)


def test_number_falls_12_db_for_half_the_level() -> None:
    """A cubic's products fall 3 dB for each of the tones: 2 dB per dB against them (weak bending)."""
    loud, quiet = (multitone_curves(_reading(v, 1e-4)).number for v in (1.0, 0.5))
    assert loud.value is not None
    assert quiet.value is not None
    assert loud.value - quiet.value == pytest.approx(12.04, abs=0.01)
    assert loud.bound == ""
    assert loud.key == "multitone_distortion@1v"


def test_levels_at_one_meter() -> None:
    near, far = (multitone_curves(_reading(1.0, 1e-3, distance_m=d)) for d in (1.0, 2.0))
    assert near.tones.values == pytest.approx(far.tones.values, abs=1e-9)
    rms = np.sqrt(np.mean(make_multitone(RATE, float(RATE), seed=3).samples ** 2))
    assert near.total_db == pytest.approx(20 * math.log10(rms / 20e-6), abs=0.02)


def test_noise_masks() -> None:
    noisy = multitone_curves(_reading(1.0, 0.0, noise=1e-3))
    assert noisy.number.bound == "at most"
    assert noisy.noise is not None
    assert noisy.relative.valid.mean() < 0.2
    # Half the bands or so: what is seen there without its noise, not what the noise adds elsewhere.
    part, bare = (multitone_curves(_reading(1.0, 0.05, noise=n)) for n in (1e-3, 0.0))
    assert part.number.value is not None
    assert bare.number.value is not None
    assert bare.number.value - 3.0 < part.number.value < bare.number.value + 0.2
    assert any("noise covers the others" in note for note in part.number.caveats)
    clear = multitone_curves(_reading(1.0, 0.05, noise=1e-6))
    assert clear.number.bound == ""
    assert clear.relative.valid.mean() > 0.9
