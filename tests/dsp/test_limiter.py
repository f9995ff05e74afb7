"""Limiters are read back from a simulation that shares nothing with the reader but the tone."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import hilbert
from simulated_limiter import RATE_HZ, Draw, Limiter, draws, recorded, static_out_db

from earwitness.dsp.limiter import JUMP_DB, RANGE_DB, STEP_DB, limiter_tone, read_limiter, static_db
from earwitness.errors import InputError

RMS_DB = 10 * np.log10(2)
"""A sine of amplitude 1 has an rms of 1 over the root of 2."""


def test_the_static_curve_is_that_of_the_literature() -> None:
    # Giannoulis, Massberg and Reiss 2012 (from memory): threshold -12, ratio 8, knee 6 dB, worked out by hand.
    level = np.array([-20.0, -15.0, -13.0, -12.0, -10.0, -9.0, -6.0, 0.0])
    out = [-20.0, -15.0, -13.2917, -12.6562, -11.8229, -11.6250, -11.2500, -10.5000]
    assert static_db(level, -12.0, 1 / 8, 6.0) == pytest.approx(out, abs=1e-4)
    assert static_db(level, -12.0, 0.25, 0.0) == pytest.approx(
        static_out_db(level, Limiter(-12.0, 4.0, 0.0, 1.0, 1.0)), abs=1e-6
    )


def test_the_tone_climbs_in_steps_jumps_and_falls() -> None:
    tone = limiter_tone(1000.0, RATE_HZ)
    level = 20 * np.log10(np.maximum(np.abs(hilbert(tone)), 1e-6))
    steps = [float(np.median(level[round((k + 0.3) * 0.3 * RATE_HZ) :][: RATE_HZ // 10])) for k in range(37)]
    assert steps == pytest.approx(np.arange(-RANGE_DB, 0.5, STEP_DB), abs=0.02)
    last = tone.size / RATE_HZ
    assert np.median(level[round((last - 1.0) * RATE_HZ) : round((last - 0.5) * RATE_HZ)]) == pytest.approx(-JUMP_DB)
    assert np.abs(tone).max() <= 1.0
    assert abs(tone[0]) < 1e-9
    with pytest.raises(InputError, match="half the sample rate"):
        limiter_tone(30_000.0, RATE_HZ)


@pytest.mark.parametrize("frequency_hz", [50.0, 1000.0, 8000.0])
def test_a_dead_microphone_is_told(frequency_hz: float) -> None:
    """Silence, and noise of any size without the tone; with the tone 20 dB above the noise it is read."""
    tone = limiter_tone(frequency_hz, RATE_HZ)
    for seed in range(8):
        noise = np.random.default_rng(seed).standard_normal(tone.size)
        for size in (0.0, 1e-7, 1e-3, 1.0):
            with pytest.raises(InputError, match="holds no tone"):
                read_limiter(size * noise, tone, frequency_hz, RATE_HZ)
        assert read_limiter(tone + 1e-3 * noise, tone, frequency_hz, RATE_HZ).used > 0


def test_random_limiters_come_back_within_five_percent() -> None:
    """All thresholds, ratios and releases; of attacks, those of a period or more, and most of the shorter ones."""
    close = []
    for draw in draws(20_261_130, 16):
        found = read_limiter(*recorded(draw, 5), draw.frequency_hz, RATE_HZ)
        assert found.attack is not None
        assert found.release is not None
        assert 10 ** ((found.threshold_db + RMS_DB - draw.one.threshold_db) / 20) == pytest.approx(1.0, abs=0.05)
        assert 1 / found.slope == pytest.approx(draw.one.ratio, rel=0.05)
        assert found.release.time_s == pytest.approx(draw.one.release_s, rel=0.05)
        assert found.gain_db == pytest.approx(20 * np.log10(draw.gain), abs=0.05)
        assert found.used == found.in_db.size == 37
        off = abs(found.attack.time_s / draw.one.attack_s - 1)
        assert off <= (0.05 if draw.one.attack_s * draw.frequency_hz >= 1 else 0.12)
        close.append(off <= 0.05)
    assert np.mean(close) >= 0.9


def test_uncertainties_of_the_curve_cover_what_they_should() -> None:
    """Threshold and slope lie within twice their uncertainty for most of a population."""
    inside = []
    for draw in draws(11, 24):
        found = read_limiter(*recorded(draw, 6), draw.frequency_hz, RATE_HZ)
        off = (found.threshold_db + RMS_DB - draw.one.threshold_db, found.slope - 1 / draw.one.ratio)
        inside += [abs(value) <= 2 * u for value, u in zip(off, found.u[1:3], strict=True)]
    assert np.mean(inside) >= 0.85


def test_an_attack_too_short_to_tell_is_a_bound() -> None:
    draw = Draw(Limiter(-14.0, 6.0, 2.0, 0.0002, 0.1), 80.0, 100, 1.0, -65.0)
    found = read_limiter(*recorded(draw, 7), draw.frequency_hz, RATE_HZ)
    assert found.attack is not None
    assert not found.attack.resolved
    assert draw.one.attack_s <= found.attack.time_s < 0.02


def test_steps_above_a_second_mechanism_are_left_out() -> None:
    """Heat takes another 2 dB from the loudest six steps: the curve below is the limiter's."""
    draw = Draw(Limiter(-20.0, 4.0, 3.0, 0.01, 0.1), 500.0, 200, 1.0, -65.0)
    heard, played = recorded(draw, 8)
    first = round((0.25 + 31 * 0.3) * RATE_HZ)
    heard[first : first + round(6 * 0.3 * RATE_HZ)] *= 10 ** (-2 / 20)
    found = read_limiter(heard, played, draw.frequency_hz, RATE_HZ)
    assert found.used <= 32
    assert found.threshold_db + RMS_DB == pytest.approx(-20.0, abs=0.3)


def test_what_does_not_limit_has_no_bend() -> None:
    draw = Draw(Limiter(10.0, 4.0, 0.0, 0.01, 0.1), 500.0, 200, 1.0, -65.0)
    found = read_limiter(*recorded(draw, 9), draw.frequency_hz, RATE_HZ)
    assert found.slope > 0.95 or found.threshold_db > found.in_db[-1]


def test_another_signal_is_refused_with_words() -> None:
    noise = np.random.default_rng(1).standard_normal(RATE_HZ * 4)
    with pytest.raises(InputError, match="limiter tone"):
        read_limiter(noise, noise, 1000.0, RATE_HZ)
