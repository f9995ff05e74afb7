"""Multitones against polynomials whose lines are known; C6.x and s9.x are ids of the references."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

from earwitness.dsp.multitone import find_rows, make_multitone, read_multitone, tone_rows
from earwitness.dsp.signals import crest_db
from earwitness.errors import InputError

RATE = 48_000.0


def test_three_tones_through_a_cubic() -> None:
    """C6.11: tones of 0.3 on rows 101, 211, 439 of 8192 through x + 0.1 x^2 + 0.05 x^3: -26.8563 dB.

    Closed form by power reduction: lines 2 f, f +- g, 3 f, 2 f +- g, f +- g +- h; the constant is not counted. Some
    lie beyond the tones' bands, so the whole counts from row 1.
    """
    rows = np.array([101, 211, 439])
    turn = 2 * np.pi * np.arange(8192) / 8192
    x = 0.3 * np.sum(np.cos(rows[:, None] * turn), axis=0)
    y = x + 0.1 * x**2 + 0.05 * x**3
    a, p2, p3 = 0.3, 0.1, 0.05
    lines = 3 * (p2 * a**2 / 2) ** 2 + 6 * (p2 * a**2) ** 2
    lines += 3 * (p3 * a**3 / 4) ** 2 + 12 * (0.75 * p3 * a**3) ** 2 + 4 * (1.5 * p3 * a**3) ** 2
    tones = 3 * (a + p3 * (0.75 * a**3 + 3 * a**3)) ** 2
    assert 10 * np.log10(lines / tones) == pytest.approx(-26.8563, abs=5e-5)
    found = read_multitone(np.tile(y, (2, 1)), RATE, rows, from_row=1)
    assert 2 * found.tone == pytest.approx(np.full(3, tones / 3), rel=1e-9)
    assert 10 * np.log10(found.total_residue / found.total_tone) == pytest.approx(-26.8563, abs=5e-5)
    assert found.residue.sum() < found.total_residue


def test_twenty_tones_through_a_weak_cubic() -> None:
    """s9.multitone_TDN_dB_cubic0.01_unit_rms = -32.70151921, s9 crest 12.41719468 dB; phases of that script."""
    tones = np.unique(np.round(100 * 2 ** (np.arange(0, 20) / 3)).astype(int))
    time = np.arange(48_000)
    x = sum(np.sin(2 * np.pi * q * time / 48_000 + (i * i * 1.7) % (2 * np.pi)) for i, q in enumerate(tones))
    x = x / np.sqrt(np.mean(x**2))
    assert crest_db(x) == pytest.approx(12.41719468, abs=1e-6)
    y = x + 0.01 * x**3
    found = read_multitone(y[None, :], RATE, tones, from_row=1)
    # That script counts the constant too, with the weight of a line.
    assert 10 * np.log10((found.total_residue + 2 * np.mean(y) ** 2) / found.total_tone) == pytest.approx(
        -32.70151921, abs=1e-6
    )


def test_defaults_are_32_odd_rows_over_the_band() -> None:
    rows = tone_rows(48_000, RATE)
    assert rows.size == 32
    assert (rows % 2 == 1).all()
    assert rows[0] == pytest.approx(20, abs=1)
    assert rows[-1] == pytest.approx(20_000, abs=1)
    octaves = np.diff(np.log2(rows))
    assert octaves[10:] == pytest.approx(np.full(21, np.log2(1000) / 31), rel=0.05)


def test_ten_per_octave_are_100_tones() -> None:
    """C6.9: 10 per octave from 20 Hz on a period of 65536 are 100 tones; here on odd rows."""
    top = 20 * 2**9.9
    rows = tone_rows(2**16, RATE, count=100, high_hz=top)
    assert rows.size == 100 == np.unique(rows).size
    assert rows[-1] * RATE / 2**16 == pytest.approx(top, rel=1e-3)


def test_crest_factor_is_that_of_the_samples() -> None:
    """C6.10: random phases of 100 tones give 12.0 to 13.6 dB (5 % and 95 %); the best of many draws is below."""
    made = make_multitone(2**16, RATE, count=100, high_hz=19_000.0)
    assert made.crest_db == pytest.approx(20 * np.log10(1 / np.sqrt(np.mean(made.samples**2))), abs=1e-9)
    assert 10.0 < made.crest_db < 12.0
    wanted = make_multitone(2**16, RATE, count=100, high_hz=19_000.0, wanted_crest_db=12.7)
    assert wanted.crest_db == pytest.approx(12.7, abs=0.05)


def test_same_seed_same_samples() -> None:
    first, second = (make_multitone(9600, RATE, seed=4, count=8) for _ in range(2))
    assert (first.samples == second.samples).all()
    assert (make_multitone(9600, RATE, seed=5, count=8).samples != first.samples).any()


def test_tones_are_found_in_what_was_played() -> None:
    made = make_multitone(48_000, RATE)
    assert (find_rows(np.roll(made.samples, 777)) == made.rows).all()


def test_the_wrong_period_is_refused() -> None:
    made = make_multitone(48_000, RATE)
    with pytest.raises(InputError, match="lines"):
        find_rows(np.tile(made.samples, 2)[:40_001])


def test_noise_from_period_to_period() -> None:
    """White noise of variance s^2: averaged over P periods s^2 / P is left, spread evenly over the lines."""
    made = make_multitone(48_000, RATE)
    generator = np.random.default_rng(3)
    heard = np.tile(made.samples, (4, 1)) + 1e-3 * generator.standard_normal((4, 48_000))
    found = read_multitone(heard, RATE, made.rows)
    assert found.noise is not None
    edge = np.sqrt(made.rows[-2] * made.rows[-1])
    share = (found.frequency_hz[-1] ** 2 / edge - edge) / 24_000
    assert found.noise[-1] == pytest.approx(1e-6 / 4 * share, rel=0.1)
    assert found.residue[-1] == pytest.approx(found.noise[-1], rel=0.1)


def test_one_period_knows_no_noise() -> None:
    made = make_multitone(9600, RATE, count=8)
    assert read_multitone(made.samples[None, :], RATE, made.rows).noise is None
    silent = 1e-3 * np.random.default_rng(1).standard_normal((1, 9600))
    assert read_multitone(made.samples[None, :], RATE, made.rows, silent=silent).noise is not None


def test_two_clocks() -> None:
    """A recorder 40 ppm off, made by evaluating the tones at the recorder's times: the smear stays below -80 dB."""
    made = make_multitone(48_000, RATE, seed=2)
    spectrum = np.fft.rfft(made.samples)
    time = np.arange(4 * 48_000) / 48_000 * (1 + 40e-6)
    heard = sum(
        2 / 48_000 * np.abs(spectrum[k]) * np.cos(2 * np.pi * k * time + np.angle(spectrum[k])) for k in made.rows
    ).reshape(4, -1)
    found = read_multitone(heard, RATE, made.rows)
    assert found.drift == pytest.approx(40e-6, rel=1e-3)
    assert 10 * np.log10(found.total_residue / found.total_tone) < -80.0
    bent = heard + 0.05 * heard**3
    still = np.tile(made.samples, (4, 1))
    want = read_multitone(still + 0.05 * still**3, RATE, made.rows)
    got = read_multitone(bent, RATE, made.rows)
    ratio = got.total_residue / got.total_tone * want.total_tone / want.total_residue
    assert 10 * np.log10(ratio) == pytest.approx(0.0, abs=0.3)


def test_tones_below_the_noise_do_not_lead_the_clock_astray() -> None:
    """A box that falls by 36 dB an octave, noise, 2 to 4 periods, clocks 0 to 200 parts in a million apart: 120 draws.

    The error is known by construction; what is left turns the highest tone by less than a hundredth of a circle.
    """
    rng = np.random.default_rng(20_261_130)
    rate_hz, size = 48_000.0, 2**14
    for _ in range(120):
        made = make_multitone(size, rate_hz, seed=int(rng.integers(1000)))
        drift, periods = float(rng.choice([0.0, rng.uniform(-200e-6, 200e-6)])), int(rng.integers(2, 5))
        spectrum = np.fft.rfft(made.samples)[made.rows]
        falls = 1.0 / (1.0 + (rng.uniform(40.0, 120.0) / made.frequency_hz) ** 6)
        angle = 2.0 * np.pi * made.rows[:, None] * (1.0 + drift) * np.arange(periods * size) / size
        tones = (2.0 / size * falls)[:, None] * np.real(spectrum[:, None] * np.exp(1j * angle))
        heard = tones.sum(axis=0) + rng.standard_normal(periods * size) * 10.0 ** rng.uniform(-3.0, -1.3)
        found = read_multitone(heard.reshape(periods, size), rate_hz, made.rows)
        assert abs(found.drift - drift) * float(made.rows[-1]) < 0.01
        played = np.sum((falls * np.abs(spectrum) * 2.0 / size) ** 2) / 2.0
        assert found.total_tone == pytest.approx(float(played), rel=0.02)


def test_window_is_that_of_scipy() -> None:
    from earwitness.dsp.multitone import _BLACKMAN_HARRIS

    turn = 2 * np.pi * np.arange(64) / 64
    mine = sum(part * np.cos(order * turn) for order, part in enumerate(_BLACKMAN_HARRIS))
    assert mine == pytest.approx(scipy.signal.windows.blackmanharris(64, sym=False), abs=1e-12)


@pytest.mark.parametrize(
    ("count", "low_hz", "high_hz"), [(1, 20.0, 2e4), (32, 0.0, 2e4), (32, 20.0, 3e4), (30_000, 20.0, 2e4)]
)
def test_impossible_multitones(count: int, low_hz: float, high_hz: float) -> None:
    with pytest.raises(InputError):
        tone_rows(48_000, RATE, count=count, low_hz=low_hz, high_hz=high_hz)


def test_impossible_crest_factor() -> None:
    with pytest.raises(InputError, match="crest factor of 3 dB"):
        make_multitone(9600, RATE, count=16, wanted_crest_db=3.0)
