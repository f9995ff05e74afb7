"""Numbers of the reduction that changed programs had left alive, held from outside.

Sources: arithmetic of delays and decibels; IEC 61672-1, table 3, for the A weighting (0 dB at 1 kHz, -19.1 dB at
100 Hz); the spread of the energy of Gaussian noise, 1 / sqrt(B T) (handbook); MacKay, Bayesian interpolation (1992),
and Golub, Heath and Wahba (1979) for the evidence and the score; 0 dBu is 0.7746 V.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import scipy.signal

from earwitness.errors import AudioError
from earwitness.formats.audio import Recording
from earwitness.reduce.arrival import band_level_db, non_causal_db, onset_s, spread_s
from earwitness.reduce.loud_takes import input_reference, reduce_self_noise
from earwitness.reduce.separate.normal_equations import updated
from earwitness.reduce.separate.separation import _low_share

RATE = 48_000


def _clicks(*places: tuple[float, float], length_s: float = 0.05) -> np.ndarray:
    """Clicks of (time [s], size), each band-limited alike."""
    out = np.zeros(round(length_s * RATE))
    for at_s, size in places:
        out[round(at_s * RATE)] += size
    return out


def _onset(impulse: np.ndarray, latest_s: float = 1.0, start_s: float = 0.0) -> float:
    return float(onset_s(impulse[None], np.array([start_s]), RATE, 20_000.0, np.array([latest_s]))[0][0])


def test_an_onset_moves_with_its_click_whatever_the_size() -> None:
    first, later = _onset(_clicks((0.010, 1.0))), _onset(_clicks((0.0125, 0.003)))
    assert first == pytest.approx(0.010, abs=1.0 / RATE)
    assert later - first == pytest.approx(0.0025, abs=1e-9)
    assert _onset(_clicks((0.010, 1.0)), start_s=0.1) - first == pytest.approx(0.1, abs=1e-9)


def test_an_onset_is_the_first_that_comes_within_20_db_and_not_after_the_latest_time() -> None:
    """30 dB before a louder click is no onset, 14 dB before it is; a click after the latest time counts for nothing."""
    for size, at_s in ((10 ** (-30 / 20), 0.020), (10 ** (-14 / 20), 0.010)):
        assert _onset(_clicks((0.010, size), (0.020, 1.0))) == pytest.approx(at_s, abs=1.5 / RATE)
    assert _onset(_clicks((0.010, 0.01), (0.020, 1.0)), latest_s=0.015) == pytest.approx(0.010, abs=1.5 / RATE)


def _parted(late_s: float) -> np.ndarray:
    """A click whose part below 2.5 kHz comes later; linear phase, so that nothing else moves. What lies above is 30 dB
    lower: else so much wider a band would be heard through the skirts of the lower one."""
    low = scipy.signal.firwin(1201, 2500.0, fs=RATE)
    click = _clicks((0.030, 1.0), length_s=0.1)
    bass = scipy.signal.fftconvolve(click, low)[600 : 600 + click.size]
    return 10**-1.5 * (click - bass) + np.roll(bass, round(late_s * RATE))


def test_the_spread_of_an_impulse_grows_by_as_much_as_its_bass_is_late() -> None:
    together, apart = spread_s(_parted(0.0), RATE), spread_s(_parted(0.004), RATE)
    assert together is not None
    assert apart is not None
    assert apart - together == pytest.approx(0.004, abs=1e-4)
    assert 0.0 <= together < 0.002
    assert spread_s(np.random.default_rng(1).standard_normal(4800), RATE) is None


@pytest.mark.parametrize(("before_s", "told_db"), [(0.002, -40.0), (0.0045, -40.0), (0.006, -240.0), (0.0001, -240.0)])
def test_what_comes_before_the_sound_could_is_told_from_5_to_a_third_of_a_millisecond(
    before_s: float, told_db: float
) -> None:
    size = np.abs(_clicks((0.020, 2.0), (0.020 - before_s, 0.02)))
    found = non_causal_db(size[None], np.array([0.5]), RATE, np.array([0.520]))
    assert found == pytest.approx(np.array([told_db]))


def test_the_level_of_a_band_is_its_mean_power_over_the_octave_above() -> None:
    hz = np.geomspace(100.0, 1600.0, 401)
    pressure = np.where(hz < 400.0, 9.0, np.where(hz <= 800.0, 0.1, 9.0))[None]
    assert band_level_db(pressure, hz, 400.0) == pytest.approx(np.array([-20.0]))
    # Half of the octave's points at 0 dB and half at 20 dB: (1 + 100) / 2.
    pressure = np.where(hz < 400.0 * 2**0.5, 1.0, 10.0)[None]
    assert band_level_db(pressure, hz, 400.0) == pytest.approx(10 * np.log10([50.5]), abs=0.05)


def _take(*, on: bool, distance_m: float = 0.5) -> Any:
    name = "on" if on else "off"
    return SimpleNamespace(id=name, file=f"{name}.wav", switched_on=on, distance_m=distance_m, microphone_channel=1)


def _heard(samples: np.ndarray) -> Recording:
    return Recording(samples[None], RATE, "FLOAT")


def _noise_of(on: np.ndarray, off: np.ndarray, **more: Any) -> Any:
    pairs = [(_take(on=True), _heard(on)), (_take(on=False), _heard(off))]
    return reduce_self_noise(pairs, fs_per_pa=0.1, **more)


@pytest.mark.parametrize(("hz", "weight_db"), [(1000.0, 0.0), (100.0, -19.1), (10_000.0, -2.5)])
def test_own_noise_of_a_tone_is_its_level_weighted(hz: float, weight_db: float) -> None:
    """1 Pa rms is 93.98 dB; the sound card gives 0.1 of full scale for a pascal."""
    tone = 0.1 * np.sqrt(2.0) * np.sin(2 * np.pi * hz * np.arange(5 * RATE) / RATE)
    found = _noise_of(tone, tone / 10.0)
    assert found.on_dba == pytest.approx(93.98 + weight_db, abs=0.1)
    assert found.on_dba - found.off_dba == pytest.approx(20.0, abs=1e-6)
    assert found.u_on_db < 0.02
    assert found.on_db.max() == pytest.approx(93.98, abs=0.1)
    lower = _noise_of(tone, tone, response=(np.array([10.0, 20_000.0]), np.array([3.0, 3.0])))
    assert lower.on_dba == pytest.approx(found.on_dba - 3.0, abs=1e-6)


def test_own_noise_is_as_unsure_as_noise_of_its_bandwidth_and_length() -> None:
    """A band of 100 Hz about 1 kHz for 8 s: 4.34 / sqrt(100 x 8) = 0.15 dB, told by two takes within a third."""
    random, sections = np.random.default_rng(2), scipy.signal.butter(6, (950.0, 1050.0), "band", fs=RATE, output="sos")
    pair = 0.01 * scipy.signal.sosfilt(sections, random.standard_normal((2, 8 * RATE)))
    found = _noise_of(*pair)
    assert np.hypot(found.u_on_db, found.u_off_db) / np.sqrt(2.0) == pytest.approx(
        4.343 / np.sqrt(100.0 * 8.0), rel=0.35
    )


def test_own_noise_needs_both_takes_at_one_distance_and_four_seconds() -> None:
    quiet, short = np.ones(5 * RATE) * 1e-3, np.ones(3 * RATE) * 1e-3
    on, off = (_take(on=True), _heard(quiet)), (_take(on=False), _heard(quiet))
    away = (_take(on=False, distance_m=1.0), _heard(quiet))
    for takes in ([on], [off], [on, away]):
        assert reduce_self_noise(takes, fs_per_pa=1.0) is None
    with pytest.raises(AudioError, match="3"):
        reduce_self_noise([(on[0], _heard(short)), off], fs_per_pa=1.0)


def test_an_input_is_told_in_dbu() -> None:
    """0.7746 V is 0 dBu, 1.2277 V the usual +4 dBu."""
    for volts, dbfs, told in ((0.7746, None, "input 0.0 dBu"), (1.2277, None, "input 4.0 dBu"), (1.0, -20.0, "dBFS")):
        session: Any = SimpleNamespace(
            loudspeaker=SimpleNamespace(powered=True), drive=SimpleNamespace(voltage_v=volts, level_dbfs=dbfs)
        )
        found = input_reference(session)
        assert told in found["reference"].replace("\N{MINUS SIGN}0.0", "0.0")
        assert found["reference_v"] == volts
    assert input_reference(SimpleNamespace(loudspeaker=SimpleNamespace(powered=False))) == {}  # type: ignore[arg-type]


def test_evidence_finds_the_variances_that_made_the_data() -> None:
    """Orthonormal columns times 3, coefficients of variance 4 and 0.25, noise of variance 0.01: with ridge answers the
    iteration settles where noise over coefficient variance is 0.0025 and 0.04, for many coefficients within 20 %."""
    random, count, points = np.random.default_rng(8), np.array([[400.0, 300.0]]), 1600
    size = np.concatenate([np.full(400, 2.0), np.full(300, 0.5)])
    truth, gain = size * random.standard_normal(700), 3.0
    seen = gain * truth + 0.1 * random.standard_normal(700)
    beyond = float(np.sum((0.1 * random.standard_normal(points - 700)) ** 2))
    penalty = np.array([[1.0, 1.0]])
    for _ in range(60):
        each = np.repeat(penalty[0], [400, 300])
        answer = gain * seen / (gain**2 + each)
        spread = np.array([[np.sum(part) for part in np.split(each / (gain**2 + each), [400])]])
        energy = np.array([[np.sum(part**2) for part in np.split(answer, [400])]])
        residual = np.array([np.sum((seen - gain * answer) ** 2) + beyond])
        found = updated(penalty, count, spread, energy, residual, points)
        penalty = found.penalty
    assert found.noise_variance[0] == pytest.approx(0.01, rel=0.1)
    assert penalty[0] == pytest.approx([0.01 / 4.0, 0.01 / 0.25], rel=0.2)
    free = points - found.settled[0]
    assert found.settled[0] == pytest.approx(float((count - spread).sum()))
    assert found.gcv[0] == pytest.approx(residual[0] / points / (free / points) ** 2)


def test_two_ways_change_over_within_half_an_octave_about_the_joint() -> None:
    """Half at the joint, all and nothing a quarter of an octave beside; where only one is known, no fade."""
    hz = 1000.0 * 2.0 ** np.linspace(-1.0, 1.0, 17)
    found = _low_share(hz, 1000.0, np.ones(17, dtype=bool))
    assert found[8] == pytest.approx(0.5)
    assert found[:7] == pytest.approx(np.ones(7))
    assert found[10:] == pytest.approx(np.zeros(7))
    # A raised cosine: cos^2 of a quarter turn, an eighth of an octave either side.
    assert found[[7, 9]] == pytest.approx([0.5 + 0.5**1.5, 0.5 - 0.5**1.5])
    alone = _low_share(hz, 1000.0, np.zeros(17, dtype=bool))
    assert alone == pytest.approx(np.where(hz < 999.0, 1.0, 0.0))
