"""Highest clean level of systems whose distortion is known at every level; C6.x are ids of the metrics reference."""

from __future__ import annotations

import math

import numpy as np
import pytest
from level_worlds import AXIS, made_take

from earwitness.dsp.signals import BurstReading, burst, read_burst
from earwitness.errors import InputError
from earwitness.figures.highest_level import (
    CleanLimits,
    at_seat,
    burst_level,
    clean_level_figure,
    high_pass_db,
    highest_clean_level,
    judge_burst,
    mean_burst_level,
)
from earwitness.quantities import Figure, Harmonics
from earwitness.standards.cta2010 import MASK_A, BurstMask

HZ = AXIS.hz
VOLTS = (1.0, 2.0, 4.0, 8.0, 16.0)


def _cubic_series(third: float, *, loss: float = 0.0, noise_db: float = -120.0) -> list[Harmonics]:
    """H3 of x + third x^3 in the limit of weak bending: third V^2 / 4 (rms 1 V is amplitude 1 here); loss : dB at the
    highest level and none below."""
    series = []
    for volts in VOLTS:
        level = np.full(HZ.size, 80.0 + 20 * math.log10(volts) - (loss if volts == VOLTS[-1] else 0.0))
        series.append(made_take(volts, level, {3: 20 * math.log10(third * volts**2 / 4)}, noise_db=noise_db))
    return series


def test_cubic_reaches_its_limit_where_it_must() -> None:
    """HD3 = k V^2 / 4 is 3 % at V = sqrt(0.12 / k) and 10 % at sqrt(0.4 / k): log distortion is a line in log level.

    Halfway between 50 Hz and 200 Hz on the log axis, at 100 Hz, the limit is sqrt(30) %: no step."""
    third = 0.006
    found = highest_clean_level(_cubic_series(third))
    bass, rest = (HZ < 50) & found.level.valid, (HZ > 201) & (HZ < 6000)
    middle = int(np.argmin(np.abs(HZ - 100.0)))
    percent = 10.0 * (HZ[middle] / 50.0) ** (np.log(0.3) / np.log(4.0))
    assert percent == pytest.approx(math.sqrt(30.0), rel=0.02)
    assert found.level.values[middle] == pytest.approx(80 + 20 * np.log10(np.sqrt(0.04 * percent / third)), abs=0.01)
    assert np.abs(np.diff(CleanLimits().distortion_db(HZ))).max() < 0.3
    assert found.level.values[rest] == pytest.approx(
        np.full(rest.sum(), 80 + 20 * math.log10(math.sqrt(0.12 / third))), abs=0.01
    )
    assert found.level.values[bass] == pytest.approx(
        np.full(bass.sum(), 80 + 20 * math.log10(math.sqrt(0.4 / third))), abs=0.01
    )
    assert set(found.bound[rest]) == {0}
    assert set(found.reason[rest]) == {1}
    # 0.3 dB of distortion at 2 dB per dB of level.
    assert found.level.u[rest] == pytest.approx(np.full(rest.sum(), 0.15), rel=0.02)


def test_top_step_passes() -> None:
    found = highest_clean_level(_cubic_series(1e-5))
    rows = (HZ > 100) & (HZ < 6000)
    assert set(found.bound[rows]) == {1}
    assert set(found.reason[rows]) == {0}
    assert found.level.values[rows] == pytest.approx(np.full(rows.sum(), 80 + 20 * math.log10(16)))
    figure = clean_level_figure(found, band_hz=(100.0, 5000.0))
    assert figure.bound == "at least"
    assert figure.value == pytest.approx(80 + 20 * math.log10(16))


def test_even_the_lowest_step_fails() -> None:
    found = highest_clean_level(_cubic_series(1.0))
    rows = (HZ > 110) & (HZ < 6000)
    assert set(found.bound[rows]) == {-1}
    assert found.level.values[rows] == pytest.approx(np.full(rows.sum(), 80.0))
    assert clean_level_figure(found, band_hz=(110.0, 5000.0)).bound == "at most"


def test_compression_limits_too() -> None:
    """4 dB lost between 8 V and 16 V: 3 dB are passed three quarters of that step up."""
    found = highest_clean_level(_cubic_series(1e-6, loss=4.0))
    rows = (HZ > 110) & (HZ < 6000)
    assert set(found.reason[rows]) == {2}
    assert found.drive_db[rows] == pytest.approx(
        np.full(rows.sum(), 20 * math.log10(8) + 0.75 * 20 * math.log10(2)), abs=1e-6
    )


def test_noisy_low_steps_are_passed_over() -> None:
    """Noise that would be 10 % at 1 V says nothing; the louder takes do."""
    noisy = _cubic_series(0.006)
    noisy[0] = made_take(1.0, np.full(HZ.size, 80.0), dict.fromkeys((2, 3, 4, 5), -21.0), noise_db=-20.5)
    clean = highest_clean_level(_cubic_series(0.006))
    found = highest_clean_level(noisy, limits=CleanLimits(compression_db=30.0))
    rows = (HZ > 110) & (HZ < 6000)
    assert found.drive_db[rows] == pytest.approx(clean.drive_db[rows], abs=0.02)


def test_high_pass_helps_where_the_bass_limits() -> None:
    """Bass that bends more and more below 200 Hz: limited at 50 Hz, crossed at 80 Hz limited above 100 Hz."""
    series = []
    for volts in VOLTS:
        third = 20 * np.log10(0.0006 * volts**2 / 4) + 40 * np.log10(np.maximum(200 / HZ, 1.0))
        series.append(made_take(volts, np.full(HZ.size, 80 + 20 * math.log10(volts)), {3: third}, noise_db=-130.0))
    found = highest_clean_level(series)
    band = (50.0, 5000.0)
    full = clean_level_figure(found, band_hz=band)
    crossed = clean_level_figure(found, high_pass_hz=80.0, band_hz=band)
    assert full.value is not None
    assert crossed.value is not None
    # 0.0006 V^2 / 4 (200 / f)^2 is 10 % up to 50 Hz, 3 % from 200 Hz on and between them on a line at this voltage.
    hz = HZ[(HZ >= 50) & (HZ <= 5000)]
    share = np.interp(np.log(hz), np.log([50.0, 200.0]), np.log([0.4, 0.12]))
    volts = np.sqrt(np.exp(share) / 0.0006) / np.maximum(200 / hz, 1.0)
    assert full.value == pytest.approx(80 + 20 * math.log10(volts.min()), abs=0.1)
    assert full.caveats[0].startswith(f"limited at {hz[0]:.0f} Hz by distortion")
    behind = volts * (1 + (80 / hz) ** 4)
    assert crossed.value == pytest.approx(80 + 20 * math.log10(behind.min()), abs=0.1)
    assert crossed.value > full.value + 3


def test_high_pass_is_6_db_down_at_its_corner() -> None:
    """Linkwitz-Riley of fourth order against scipy: a Butterworth of second order twice."""
    import scipy.signal

    hz = np.array([20.0, 40.0, 80.0, 160.0])
    b, a = scipy.signal.butter(2, 2 * np.pi * 80, "high", analog=True)
    _, h = scipy.signal.freqs(b, a, 2 * np.pi * hz)
    assert high_pass_db(hz) == pytest.approx(40 * np.log10(np.abs(h)), abs=1e-9)


def test_at_the_seat() -> None:
    """3 m are 9.54 dB less; two that are not in phase 3.01 dB more (energy sum)."""
    figure = Figure("highest_clean_level", 104.0, 0.5, "dB", None, "", bound="at least")
    seat = at_seat(figure, 3.0, loudspeakers=2)
    assert seat.value == pytest.approx(104 - 9.5424 + 3.0103, abs=1e-3)
    assert seat.bound == "at least"
    with pytest.raises(InputError):
        at_seat(figure, 0.0)


def test_band_that_is_not_known_is_not_judged() -> None:
    figure = clean_level_figure(highest_clean_level(_cubic_series(0.006)), band_hz=(3000.0, 20_000.0))
    assert figure.value is None


def test_one_level_is_no_series() -> None:
    with pytest.raises(InputError, match="two levels or more"):
        highest_clean_level(_cubic_series(0.006)[:1])


def test_limits_above_zero() -> None:
    with pytest.raises(InputError):
        CleanLimits(percent=0.0)


def _burst(peak: float, second_db: float, hz: float = 40.0) -> BurstReading:
    time = np.arange(round(6.5 * 48_000 / hz)) / 48_000
    window = 0.5 * (1 - np.cos(2 * np.pi * hz * time / 6.5))
    second = 10 ** (second_db / 20) * np.sin(4 * np.pi * hz * time)
    return read_burst(peak * window * (np.sin(2 * np.pi * hz * time) + second), hz, 48_000, MASK_A.orders)


def test_mask_all_just_met() -> None:
    """C6.21: limits of -10, -15, -20, -20, -30, -30, -30 dB all just met are 39.322 % of the fundamental."""
    total = math.sqrt(sum(10 ** (MASK_A.limit_db(n) / 10) for n in range(2, 9)))
    assert 100 * total == pytest.approx(39.322, abs=5e-4)
    assert MASK_A.limit_db(9) == MASK_A.limit_db(15) == -40.0


def test_burst_level_is_the_last_that_passes() -> None:
    """Bursts of 1, 1.41 and 2 Pa at 2 m, the loudest with a second harmonic 1 dB over the mask."""
    bursts = [_burst(1.0, -30.0), _burst(math.sqrt(2), -12.0), _burst(2.0, -9.0)]
    assert judge_burst(bursts[1], MASK_A).passes
    verdict = judge_burst(bursts[2], MASK_A)
    assert (verdict.passes, verdict.worst_order) == (False, 2)
    assert verdict.over_db == pytest.approx(1.0, abs=0.05)
    figure = burst_level(bursts, MASK_A, distance_m=2.0)
    assert figure.value == pytest.approx(20 * math.log10(math.sqrt(2) * 2 / 20e-6), abs=0.05)
    assert figure.bound == ""
    assert burst_level(bursts[:2], MASK_A, distance_m=2.0).bound == "at least"
    assert burst_level(bursts[2:], MASK_A, distance_m=2.0).bound == "at most"
    assert "CEA-2010-A" in figure.caveats[0]


def test_another_edition_is_another_mask() -> None:
    strict = BurstMask("invented", "for this test", (-40.0,), -60.0, 9)
    assert not judge_burst(_burst(1.0, -30.0), strict).passes
    assert judge_burst(BurstReading(40.0, 1.0, (2,), np.array([-41.0]), ()), strict).passes


def test_pressure_average() -> None:
    """C6.19: 110, 114, 118 dB: 114.6035 dB."""
    figures = [Figure("burst_level", x, 0.5, "dB", (20.0, 20.0), "") for x in (110.0, 114.0, 118.0)]
    assert mean_burst_level(figures).value == pytest.approx(114.6035, abs=5e-5)
    lost = Figure("burst_level", None, None, "dB", None, "", reason="noise")
    assert mean_burst_level([*figures, lost]).value is None


def test_bursts_of_two_frequencies_are_refused() -> None:
    with pytest.raises(InputError, match="2 frequencies"):
        burst_level([_burst(1.0, -30.0), _burst(1.0, -30.0, 50.0)], MASK_A, distance_m=1.0)
    assert np.abs(burst(20.0, 48_000)).max() <= 1.0
