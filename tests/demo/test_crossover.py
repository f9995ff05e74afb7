"""Filter stages against scipy's analog filters and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from earwitness.demo.circuits import Stage, chain_response, stage_response
from earwitness.errors import InputError

FREQUENCY = np.geomspace(20.0, 20_000.0, 91)


@pytest.mark.parametrize(("kind", "scipy_name"), [("low-pass LR4", "lowpass"), ("high-pass LR4", "highpass")])
def test_linkwitz_riley_is_a_butterworth_twice(kind: str, scipy_name: str) -> None:
    b, a = signal.butter(2, 2 * np.pi * 2300.0, scipy_name, analog=True)
    _, once = signal.freqs(b, a, 2 * np.pi * FREQUENCY)
    np.testing.assert_allclose(stage_response(Stage(kind, 2300.0), FREQUENCY), once**2, rtol=1e-9)  # type: ignore[arg-type]


def test_linkwitz_riley_halves_sum_to_an_all_pass_and_cross_at_minus_6_db() -> None:
    # Linkwitz 1976, from memory.
    low, high = (stage_response(Stage(kind, 1000.0), FREQUENCY) for kind in ("low-pass LR4", "high-pass LR4"))
    np.testing.assert_allclose(np.abs(low + high), 1.0, rtol=1e-12)
    at = stage_response(Stage("low-pass LR4", 1000.0), np.array([1000.0]))
    assert 20 * np.log10(abs(at[0])) == pytest.approx(-6.0206, abs=1e-4)


def test_resonance_peaks_by_its_gain_and_has_its_q() -> None:
    f = np.linspace(3000, 12_000, 90_001)
    pole = (stage_response(Stage("resonance", 6500.0, 10.0, 3.0), f) - 1) / (10 ** (3 / 20) - 1)
    level = 20 * np.log10(np.abs(stage_response(Stage("resonance", 6500.0, 10.0, 3.0), f)))
    assert level.max() == pytest.approx(3.0, abs=1e-6)
    assert f[level.argmax()] == pytest.approx(6500.0, abs=0.2)
    inside = f[np.abs(pole) >= np.sqrt(0.5)]
    assert 6500.0 / (inside[-1] - inside[0]) == pytest.approx(10.0, rel=1e-3)


@pytest.mark.parametrize("gain_db", [-5.0, 4.0])
def test_shelves_and_peak_reach_their_gains(gain_db: float) -> None:
    far = np.array([1e-2, 1e7])
    low = 20 * np.log10(np.abs(stage_response(Stage("low shelf", 300.0, 0.7, gain_db), far)))
    high = 20 * np.log10(np.abs(stage_response(Stage("high shelf", 300.0, 0.7, gain_db), far)))
    middle = 20 * np.log10(np.abs(stage_response(Stage("peak", 300.0, 0.7, gain_db), np.array([300.0]))))
    np.testing.assert_allclose(low, [gain_db, 0.0], atol=1e-3)
    np.testing.assert_allclose(high, [0.0, gain_db], atol=1e-3)
    np.testing.assert_allclose(middle, gain_db, atol=1e-9)


def test_first_order_and_second_order_corners() -> None:
    at = np.array([500.0])
    assert abs(stage_response(Stage("low-pass 1", 500.0), at)[0]) == pytest.approx(np.sqrt(0.5))
    assert abs(stage_response(Stage("high-pass 2", 500.0, 1.3), at)[0]) == pytest.approx(1.3)


def test_chain_multiplies_and_an_empty_one_passes() -> None:
    stages = (Stage("low-pass 1", 500.0), Stage("peak", 900.0, 2.0, 3.0))
    product = stage_response(stages[0], FREQUENCY) * stage_response(stages[1], FREQUENCY)
    np.testing.assert_allclose(chain_response(stages, FREQUENCY), product)
    np.testing.assert_array_equal(chain_response((), FREQUENCY), np.ones(FREQUENCY.size))


def test_impossible_stages_are_refused() -> None:
    with pytest.raises(InputError, match="no filter"):
        Stage("peak", 0.0)
    with pytest.raises(InputError, match="kind of filter stage"):
        Stage("brick wall", 100.0)  # type: ignore[arg-type]
