"""Resonances behind a gate: what is known in closed form, and simulated loudspeakers that no setting was chosen on."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.fft

from earwitness.dsp.resonance import Guess, Pole, fit_pole, pole_response
from earwitness.dsp.window import gate_weights
from earwitness.quantities.arrays import ComplexArray, FloatArray

RATE, LENGTH, LEAD_S = 24_000.0, 2**14, 2e-3
HZ = np.arange(LENGTH // 2 + 1) * RATE / LENGTH
AXIS_HZ = 1000.0 * 2.0 ** (np.arange(-240, 170) / 48)


def high_pass(corner_hz: float, q: float) -> ComplexArray:
    x = np.maximum(HZ, 0.1) / corner_hz
    return np.asarray(-(x**2) / (1 - x**2 + 1j * x / q))


def loudspeaker(rng: np.random.Generator) -> ComplexArray:
    """High-pass, broad bumps, and a fourth-order crossover whose sum is an all-pass, tweeter off by some cm."""
    response = high_pass(rng.uniform(40, 70), rng.uniform(0.6, 1.0))
    for _ in range(5):
        response = response * pole_response(
            np.maximum(HZ, 0.1), 10 ** rng.uniform(2, 4), rng.uniform(0.4, 1.3), rng.normal(0, 1.5)
        )
    s = 1j * HZ / 10 ** rng.uniform(3.0, 3.5)
    low = 1 / (s**2 + math.sqrt(2) * s + 1) ** 2
    delay = np.exp(-2j * np.pi * HZ * rng.uniform(-5e-5, 5e-5))
    top = 1 / (1 + 1j * HZ / 9000.0 - (HZ / 9000.0) ** 2)
    return np.asarray(response * low * (1 + s**4 * delay) * top)


def gated(response: ComplexArray, gate_s: float, snr_db: float, seed: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Gated impulse, weights, time."""
    whole = response * np.exp(-2j * np.pi * HZ * LEAD_S)
    whole[0], whole[-1] = 0.0, abs(whole[-1])
    count = math.ceil((gate_s + LEAD_S) * RATE) + 2
    time = np.arange(count) / RATE - LEAD_S
    weights = gate_weights(time, gate_s, rise_s=0.5e-3, lead_s=1.2e-3)
    level = math.sqrt(np.mean(np.abs(response[(HZ > 200) & (HZ < 2500)]) ** 2))
    noise = level * 10 ** (-snr_db / 20) * RATE / math.sqrt(np.sum(weights**2))
    samples = scipy.fft.irfft(whole, LENGTH)[:count] * RATE
    return (samples + noise * np.random.default_rng(seed).standard_normal(count)) * weights, weights, time


def base_of(response: ComplexArray, lowest_hz: float) -> FloatArray:
    """Level on AXIS_HZ as a splice knows it below the gate's limit, smoothed over it."""
    level = np.interp(AXIS_HZ, HZ, 20 * np.log10(np.abs(response) + 1e-9))
    x = np.log2(AXIS_HZ)
    weights = np.exp(-0.5 * ((x[:, None] - x) / 0.45) ** 2)
    share = np.clip(np.log2(AXIS_HZ / lowest_hz) / 0.7, 0, 1)
    return np.asarray((1 - share) * level + share * (weights @ level / weights.sum(axis=1)))


def fit(response: ComplexArray, guess: Guess, gate_s: float, snr_db: float = 60.0, seed: int = 1) -> Pole:
    impulse, weights, time = gated(response, gate_s, snr_db, seed)
    band = (max(min(0.5 / gate_s, guess.hz / 2), 40.0), min(max(3 * guess.hz, guess.hz + 12 / gate_s), 7000.0))
    return fit_pole(
        impulse,
        weights,
        time,
        base_hz=AXIS_HZ,
        base_db=94.0 + base_of(response, 1.2 / gate_s),
        guesses=[guess],
        band_hz=band,
        snr_db=snr_db,
    )


def test_a_pole_s_gain_and_its_zero_s_quality() -> None:
    """At its frequency A, far from it 1; zeros have Q / A (quadratic's roots), so the reciprocal is a pole of Q / A."""
    hz = np.array([1.0, 700.0, 1e6])
    found = pole_response(hz, 700.0, 8.0, 5.0)
    assert 20 * np.log10(np.abs(found)) == pytest.approx([0.0, 5.0, 0.0], abs=1e-5)
    other = pole_response(HZ[1:], 700.0, 8.0 / 10 ** (5 / 20), -5.0)
    assert pole_response(HZ[1:], 700.0, 8.0, 5.0) * other == pytest.approx(np.ones(HZ.size - 1), abs=1e-12)


def test_the_same_bell_as_an_equalizer_s() -> None:
    """Audio EQ Cookbook (W3C, 2021), analog: H = (s^2 + s A / Q + 1) / (s^2 + s / (A Q) + 1), A = 10^(G / 40), is a
    pole of quality A Q."""
    s, a, q = 1j * HZ / 700.0, 10 ** (4.0 / 40), 3.0
    bell = (s**2 + s * a / q + 1) / (s**2 + s / (a * q) + 1)
    assert pole_response(HZ, 700.0, a * q, 4.0) == pytest.approx(bell, abs=1e-12)
    found = fit(high_pass(55.0, 0.7) * bell, Guess(710.0, 3.0, 3.0), 60e-3)
    assert found.bell_q == pytest.approx(q, rel=0.02)
    assert found.bell_q == pytest.approx(found.q / 10 ** (found.size_db / 40), rel=0.01)


@pytest.mark.parametrize("size_db", [4.0, -4.0])
def test_without_a_gate_the_resonance_itself_comes_back(size_db: float) -> None:
    """60 ms hold 13 of the 700 Hz, Q 10 resonance's ring times Q / (pi f)."""
    found = fit(high_pass(55.0, 0.7) * pole_response(HZ, 700.0, 10.0, size_db), Guess(690.0, 6.0, size_db / 2), 60e-3)
    assert found.hz == pytest.approx(700.0, rel=2e-3)
    assert found.q == pytest.approx(10.0, rel=0.02)
    assert found.size_db == pytest.approx(size_db, abs=0.05)


def test_a_prior_is_kept_where_the_data_say_little() -> None:
    """A gate of 1.5 ms holds one period of 700 Hz: Q stays what a near field says, and its doubt with it."""
    response = high_pass(55.0, 0.7) * pole_response(HZ, 700.0, 12.0, 4.0)
    told = Guess(700.0, 12.0, 2.0, 0.005, math.log(12.0), 0.1)
    found = fit(response, told, 1.5e-3)
    assert found.q == pytest.approx(12.0, rel=0.1)
    assert 0.06 < found.u_ln_q < 0.11
    alone = fit(response, Guess(690.0, 6.0, 2.0), 1.5e-3)
    assert alone.u_ln_q > 3 * found.u_ln_q


@pytest.mark.parametrize(("gate_s", "spread_ln_q", "spread_db"), [(5e-3, 0.45, 0.8), (9e-3, 0.15, 0.35)])
def test_random_loudspeakers(gate_s: float, spread_ln_q: float, spread_db: float) -> None:
    """20 loudspeakers, 300 Hz to 2 kHz, Q 3 to 20, 1 to 6 dB of either sign: no bias, an error half of what the
    gated curve has, and 85 % and more inside the expanded uncertainty, which is no wider than it must be."""
    rows = []
    for seed in range(20):
        rng = np.random.default_rng([seed, 404])
        center, q = 10 ** rng.uniform(math.log10(300), math.log10(2000)), 10 ** rng.uniform(0.5, 1.3)
        size = float(rng.choice([-1, 1]) * rng.uniform(1, 6))
        response = loudspeaker(rng) * pole_response(np.maximum(HZ, 0.1), center, q, size)
        found = fit(response, Guess(center * math.exp(rng.normal(0, 0.03)), 5.0, 0.7 * size), gate_s, seed=seed)
        off_q, off_db = math.log(found.q / q), (found.size_db - size) * np.sign(size)
        rows.append((off_q / found.u_ln_q, off_db / found.u_db, off_q, off_db, found.u_ln_q, found.u_db))
    table = np.array(rows)
    assert (np.abs(table[:, :2]) <= 2.0).mean(axis=0).min() >= 0.85
    assert np.abs(np.median(table[:, 2])) < 0.5 * spread_ln_q
    assert 1.4826 * np.median(np.abs(table[:, 2])) < spread_ln_q
    assert 1.4826 * np.median(np.abs(table[:, 3])) < spread_db
    assert np.median(table[:, 4]) < 2 * spread_ln_q
    assert np.median(table[:, 5]) < 2.5 * spread_db
