"""Cookbook filters: coefficients of the Audio EQ Cookbook (W3C note, 2021) and scipy's responses."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import butter, freqz_sos

from earwitness.dsp.filters import BiquadKind, biquad, cascade_response
from earwitness.errors import InputError

TABLE = json.loads(Path(__file__).with_name("filters.json").read_text(encoding="utf-8"))
TONES = np.array(TABLE["tones_hz"], dtype=float)
ROOT = 2**-0.5
Case = tuple[BiquadKind, float, float, float, list[float], list[float]]
# The script of the bench is held to the same numbers: tests/script/filters.test.js.
CASES: list[Case] = [
    (one["kind"], one["frequency_hz"], one["q"], one["gain_db"], one["coefficients"], one["levels_db"])
    for one in TABLE["cases"]
]


@pytest.mark.parametrize(("kind", "frequency", "q", "gain", "coefficients", "levels"), CASES)
def test_cookbook(
    kind: BiquadKind, frequency: float, q: float, gain: float, coefficients: list[float], levels: list[float]
) -> None:
    section = biquad(kind, frequency, q, 48000.0, gain_db=gain)
    np.testing.assert_allclose(np.delete(section, 3), coefficients, atol=2e-12, rtol=0)
    measured = 20 * np.log10(np.abs(cascade_response(section, TONES, 48000.0)))
    np.testing.assert_allclose(measured, levels, atol=1.1e-4, rtol=0)


@pytest.mark.parametrize(
    ("kind", "frequency", "gain", "coefficients"),
    [
        # s12.lowshelf_100_Q0.707_+4dB_b0b1b2, ..._a1a2
        ("low_shelf", 100.0, 4.0, [1.002138207, -1.983461995, 0.9815377359, -1.983501473, 0.9836364646]),
        # s12.highshelf_8k_Q0.707_-3dB_b0b1b2, ..._a1a2
        ("high_shelf", 8000.0, -3.0, [0.7975568339, -0.4212841293, 0.1765263477, -0.7091048314, 0.2619038838]),
    ],
)
def test_shelves_the_other_way(kind: BiquadKind, frequency: float, gain: float, coefficients: list[float]) -> None:
    section = biquad(kind, frequency, ROOT, 48000.0, gain_db=gain)
    np.testing.assert_allclose(np.delete(section, 3), coefficients, atol=2e-9, rtol=0)


@pytest.mark.parametrize(("frequency", "most_db"), [(1000.0, 0.019), (2000.0, 0.075), (4000.0, 0.294), (8000.0, 1.108)])
def test_the_digital_skirt_falls_short_of_the_analog_one(frequency: float, most_db: float) -> None:
    """C11.17 to C11.20: largest difference to the cookbook's analog prototype, +6 dB, Q 1, 20 Hz to 20 kHz."""
    hz = np.geomspace(20.0, 20_000.0, 4001)
    turn, half = 1j * hz / frequency, 10 ** (6 / 40)
    analog = (turn**2 + turn * half + 1) / (turn**2 + turn / half + 1)
    digital = cascade_response(biquad("peaking", frequency, 1.0, 48000.0, gain_db=6.0), hz, 48000.0)
    assert np.abs(20 * np.log10(np.abs(digital / analog))).max() == pytest.approx(most_db, abs=6e-4)


def test_cascade_agrees_with_scipy() -> None:
    sections = np.stack([biquad(kind, f, q, 48000.0, gain_db=gain) for kind, f, q, gain, _, _ in CASES])
    np.testing.assert_allclose(
        cascade_response(sections, TONES, 48000.0), freqz_sos(sections, worN=TONES, fs=48000.0)[1], rtol=1e-9
    )


@pytest.mark.parametrize(("kind", "name"), [("low_pass", "lowpass"), ("high_pass", "highpass")])
def test_q_of_root_half_is_butterworth(kind: BiquadKind, name: str) -> None:
    section = biquad(kind, 2000.0, ROOT, 48000.0)
    np.testing.assert_allclose(section, butter(2, 2000.0, name, fs=48000.0, output="sos")[0], atol=1e-12)


def test_boost_and_equal_cut_cancel() -> None:
    pair = np.stack([biquad("peaking", 3000.0, 2.0, 48000.0, gain_db=g) for g in (5.0, -5.0)])
    np.testing.assert_allclose(cascade_response(pair, TONES, 48000.0), 1.0, atol=1e-12)


@pytest.mark.parametrize(("frequency", "q"), [(0.0, 1.0), (23600.0, 1.0), (1000.0, 0.0), (1000.0, float("nan"))])
def test_unstable_filters_are_refused(frequency: float, q: float) -> None:
    with pytest.raises(InputError, match="filter"):
        biquad("peaking", frequency, q, 48000.0, gain_db=3.0)
