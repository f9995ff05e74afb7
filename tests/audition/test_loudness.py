"""Loudness and true peak against ITU-R BS.1770 and an independent implementation of it."""

from __future__ import annotations

import math

import numpy as np
import pyloudnorm
import pytest

from earwitness.audition.loudness import LoudnessMeter, PeakMeter, integrated_lufs, k_weighting, matched_gains_db
from earwitness.audition.render import MATERIAL, material
from earwitness.dsp.filters import cascade_response
from earwitness.errors import InputError
from earwitness.quantities.arrays import FloatArray

# ITU-R BS.1770-4, Annex 1, tables 1 and 2 (48 kHz): b0, b1, b2, 1, a1, a2.
TABLE = (
    (1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585),
    (1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621),
)


def sine(level_dbfs: float, duration_s: float, rate_hz: int = 48_000, hz: float = 1000.0) -> FloatArray:
    """Peak level_dbfs in both channels."""
    time = np.arange(round(duration_s * rate_hz)) / rate_hz
    return np.tile(10 ** (level_dbfs / 20) * np.sin(2 * np.pi * hz * time), (2, 1))


def test_the_weighting_is_the_standards_table_at_48_khz() -> None:
    assert np.abs(k_weighting(48_000.0) - np.array(TABLE)).max() < 1e-13


@pytest.mark.parametrize("rate_hz", [44_100.0, 96_000.0, 192_000.0])
def test_at_other_rates_the_response_is_that_of_48_khz(rate_hz: float) -> None:
    """BS.1770-4 asks for the same frequency response; the bilinear transform bends it below 0.02 dB to 10 kHz."""
    hz = np.geomspace(20.0, 10_000.0, 200)
    here, table = (20 * np.log10(np.abs(cascade_response(k_weighting(r), hz, r))) for r in (rate_hz, 48_000.0))
    assert np.abs(here - table).max() < 0.02


@pytest.mark.parametrize(
    ("parts", "expected"),
    [
        (((-23.0, 20.0),), -23.0),
        (((-33.0, 20.0),), -33.0),
        (((-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)), -23.0),
        (((-72.0, 10.0), (-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0), (-72.0, 10.0)), -23.0),
        (((-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)), -23.0),
    ],
)
def test_the_cases_of_ebu_tech_3341(parts: tuple[tuple[float, float], ...], expected: float) -> None:
    """EBU Tech 3341, minimum requirements test signals 1 to 5, from memory: within 0.1 LU."""
    sound = np.concatenate([sine(level, seconds) for level, seconds in parts], axis=1)
    assert integrated_lufs(sound, 48_000) == pytest.approx(expected, abs=0.1)


def test_a_sine_of_full_scale_in_one_channel_reads_minus_3() -> None:
    """BS.1770-4, Annex 1: 0 dBFS at 997 Hz in one front channel is -3.01 LKFS."""
    assert integrated_lufs(sine(0.0, 20.0, hz=997.0)[:1], 48_000) == pytest.approx(-3.01, abs=0.002)


@pytest.mark.parametrize("name", sorted(MATERIAL))
@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_material_reads_as_an_independent_implementation_reads_it(name: str, rate_hz: int) -> None:
    """pyloudnorm's class with the standard's filter; it scales the low cut otherwise at other rates, by 0.02 LU."""
    sound = material(name, rate_hz)
    oracle = pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(sound.T)
    assert integrated_lufs(sound, rate_hz) == pytest.approx(oracle, abs=0.01 if rate_hz == 48_000 else 0.03)
    assert np.abs(sound).max() == pytest.approx(0.25)


def test_pieces_of_any_length_give_the_same() -> None:
    rng = np.random.default_rng(3)
    sound = rng.standard_normal((2, 200_000)) * np.linspace(0.01, 0.2, 200_000)
    meter, peaks, whole = LoudnessMeter(48_000, 2), PeakMeter(2), PeakMeter(2)
    at = 0
    while at < sound.shape[1]:
        count = int(rng.integers(1, 30_000))
        meter.add(sound[:, at : at + count])
        peaks.add(sound[:, at : at + count])
        at += count
    whole.add(sound)
    assert meter.integrated_lufs() == pytest.approx(integrated_lufs(sound, 48_000), abs=1e-9)
    assert peaks.true_peak_db() == pytest.approx(whole.true_peak_db(), abs=1e-9)


def test_too_short_and_silence_have_no_loudness() -> None:
    assert integrated_lufs(sine(-20.0, 0.39), 48_000) is None
    assert integrated_lufs(np.zeros((2, 96_000)), 48_000) is None
    assert integrated_lufs(sine(-71.0, 2.0), 48_000) is None


@pytest.mark.parametrize(("amplitude", "part", "turn_deg"), [(0.5, 4, 45), (0.5, 6, 60), (0.5, 8, 67.5), (1.41, 4, 45)])
def test_the_true_peak_lies_between_the_samples(amplitude: float, part: int, turn_deg: float) -> None:
    """The sine cases of EBU Tech 3341 (from memory; +0.2, -0.4 dB allowed): the truth is the amplitude."""
    time = np.arange(48_000)
    fade = np.minimum(1.0, np.minimum(time, time[::-1]) / 2000.0)
    peaks = PeakMeter(1)
    peaks.add((amplitude * fade * np.sin(2 * np.pi * time / part + math.radians(turn_deg)))[None, :])
    assert peaks.true_peak_db() == pytest.approx(20 * math.log10(amplitude), abs=0.02)


def test_gains_bring_all_to_one_loudness_and_none_past_the_peak() -> None:
    gains = matched_gains_db([-20.0, -26.0], [-3.0, -12.0])
    assert gains == pytest.approx([-3.0, 3.0])
    gains = matched_gains_db([-20.0, -26.0], [-3.0, -2.0])
    assert [loud + gain for loud, gain in zip([-20.0, -26.0], gains, strict=True)] == pytest.approx([-25.0, -25.0])
    assert max(-3.0 + gains[0], -2.0 + gains[1]) == pytest.approx(-1.0)
    with pytest.raises(InputError, match="silent"):
        matched_gains_db([-math.inf], [-math.inf])
