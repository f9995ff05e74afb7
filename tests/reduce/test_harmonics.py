"""Harmonics of a static nonlinearity against the closed form of a polynomial of a sine."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from made_session import FS_PER_PA, RATE, Made, facts, sweep

from earwitness.formats.audio import Recording
from earwitness.quantities import report_axis
from earwitness.reduce.harmonics import split_harmonics
from earwitness.reduce.impulse import Division, Role, nominal_impulse
from earwitness.reduce.stimulus import stimulus_of

MADE = Made(start_hz=10.0, stop_hz=22_000.0, duration_s=6.0, lead_s=0.3, tail_s=0.6)


def harmonics_of(bent: np.ndarray, noise: np.ndarray | None = None):
    stimulus = stimulus_of(facts(MADE).stimulus, lambda name: pytest.fail(name), RATE)
    division = Division(stimulus, None, FS_PER_PA, report_axis().hz, 0.1)
    samples = FS_PER_PA * np.concatenate([np.zeros(round(0.3 * RATE)), bent, np.zeros(round(0.6 * RATE))])
    impulse = nominal_impulse(Role("t", "t.wav", 1, None, 1.0), Recording(samples[None, :], RATE, "DOUBLE"), division)
    return split_harmonics(
        impulse, stimulus, report_axis(), noise, take="t", drive_v=1.0, distance_m=1.0, place="far-field"
    )


@pytest.mark.parametrize("amplitude", [1.0, 0.5])
def test_polynomial(amplitude: float) -> None:
    """y = x + 0.1 x^2 + 0.03 x^3, x = A sin: A(1 + 3/4 0.03 A^2), 0.1 A^2 / 2, 0.03 A^3 / 4 (power-reduction
    identities); at A = 1 HD2 = 4.8900 %, HD3 = 0.7335 %, at 0.5 2.4860 % and 0.1865 % (reference, 1.4)."""
    x = amplitude * sweep(MADE)
    found = harmonics_of(x + 0.1 * x**2 + 0.03 * x**3)
    assert found is not None
    hz = found.axis.hz
    rows = (hz > 100.0) & (hz < 5000.0)
    shown = found.valid[1] & rows
    percent = 100 * 10 ** ((found.harmonic_db - found.fundamental_db) / 20)
    hd2, hd3 = {1.0: (4.8900, 0.7335), 0.5: (2.4860, 0.1865)}[amplitude]
    assert percent[0, shown] == pytest.approx(np.full(shown.sum(), hd2), rel=5e-3)
    assert percent[1, shown] == pytest.approx(np.full(shown.sum(), hd3), rel=1e-2)
    at = int(np.argmin(np.abs(hz - 1000.0)))
    rms = amplitude * (1 + 0.75 * 0.03 * amplitude**2) / np.sqrt(2)
    assert found.fundamental_db[at] == pytest.approx(20 * np.log10(rms / 20e-6), abs=0.01)


def test_fifth_order_alone() -> None:
    """The Chebyshev polynomial T5 of a sine is a pure fifth harmonic (sin 5a up to sign)."""
    x = sweep(MADE)
    found = harmonics_of(x + 0.01 * (16 * x**5 - 20 * x**3 + 5 * x))
    assert found is not None
    rows = found.valid[3] & (found.axis.hz > 100.0) & (found.axis.hz < 3500.0)
    ratio = found.harmonic_db[3, rows] - found.fundamental_db[rows]
    assert ratio == pytest.approx(np.full(rows.sum(), -40.0), abs=0.1)
    assert (found.harmonic_db[0, rows] - found.fundamental_db[rows]).max() < -70.0


def test_valid_ends_where_the_sweep_ends() -> None:
    """Order n is seen only while n f lies below 0.45 of the rate and 5 % under the sweep's end of 22 kHz."""
    top = min(21_600.0, MADE.stop_hz / 1.05)
    found = harmonics_of(sweep(MADE))
    assert found is not None
    for row, order in enumerate(found.orders):
        assert found.axis.hz[found.valid[row]].max() <= top / order
        assert found.axis.hz[found.valid[row]].max() > top / order / 1.03


def test_noise_floor_is_where_noise_is_found() -> None:
    """White noise in place of distortion: the predicted floor is its mean level within 1.5 dB."""
    rms = 1e-3
    rng = np.random.default_rng(11)
    noisy = sweep(MADE) + rms * rng.standard_normal(round(MADE.duration_s * RATE))
    density = np.full(report_axis().hz.size, rms**2 / RATE)
    found = harmonics_of(noisy, density)
    assert found is not None
    rows = found.valid[0] & (found.axis.hz > 300.0) & (found.axis.hz < 5000.0)
    measured = 10 * np.log10(np.mean(10 ** ((found.harmonic_db - found.noise_db)[0, rows] / 10)))
    assert abs(measured) < 1.5


def test_a_stimulus_file_gives_no_harmonics() -> None:
    told = facts(MADE, stimulus={"kind": "file", "file": "x.wav"})
    played = Recording(sweep(MADE)[None, :], RATE, "DOUBLE")
    stimulus = replace(stimulus_of(told.stimulus, lambda _name: played, RATE))
    given = np.eye(1, 4096)[0]
    assert (
        split_harmonics(given, stimulus, report_axis(), None, take="t", drive_v=1.0, distance_m=1.0, place="far-field")
        is None
    )
