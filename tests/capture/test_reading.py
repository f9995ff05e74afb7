"""What a take tells at once: its curve, its numbers, what else sounded, and whether it fits the take before.

Curves are held against the frequency response of the filter by scipy.signal, clocks against a recording resampled by
cubic splines, sounds in the background against rooms drawn at random.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.interpolate
import scipy.signal
from rehearsal import RATE_HZ, WIRING, sweep

from earwitness.capture.reading import (
    CURVE_HZ,
    background_words,
    bang_at,
    closing_words,
    curve_words,
    doubts_against,
    is_same_place,
    read_take,
)
from earwitness.capture.simulated import RehearsedLoudspeaker
from earwitness.capture.sound import Block
from earwitness.quantities.arrays import FloatArray

PLAYED = sweep(1.0, before_s=0.5, after_s=1.0)
BAND_HZ = (30.0, 20_000.0)
FS_PER_PA = 0.1


def heard(
    response: FloatArray,
    rng: np.random.Generator,
    *,
    noise: float = 1e-5,
    extra: FloatArray | None = None,
    delay: int = 140,
) -> Block:
    """Microphone and loop-back of the sweep through a filter."""
    microphone = np.roll(np.convolve(PLAYED, response)[: PLAYED.size], delay)
    both = np.stack([microphone if extra is None else microphone + extra, 0.5 * PLAYED], axis=1)
    return (both + noise * rng.standard_normal(both.shape)).astype(np.float32)


def reading(block: Block):  # type: ignore[no-untyped-def]
    return read_take(PLAYED, block, WIRING, BAND_HZ, fs_per_pa=FS_PER_PA)


def test_the_curve_is_the_filter_s_and_its_level_that_of_the_sweep() -> None:
    taps = scipy.signal.firwin2(127, [0, 300, 3000, 24_000], [1.0, 1.0, 0.3, 0.3], fs=RATE_HZ)
    found = reading(heard(taps, np.random.default_rng(1)))
    _, response = scipy.signal.freqz(taps, worN=CURVE_HZ, fs=RATE_HZ)
    # A sine of peak 0.25 has an rms of 0.25 / sqrt(2); 0.1 of full scale is 1 Pa; levels re 20 uPa.
    level = 20.0 * np.log10(np.abs(response) * 0.25 / np.sqrt(2.0) / FS_PER_PA / 20e-6)
    inside = (CURVE_HZ > 60.0) & (CURVE_HZ < 17_000.0)
    assert np.max(np.abs(found.curve_db - level)[inside]) < 0.15
    assert found.arrival_s == pytest.approx((140 + 63) / RATE_HZ, abs=2 / RATE_HZ)
    assert found.loop_db == pytest.approx(20.0 * np.log10(0.5), abs=0.01)
    assert np.all(np.isnan(found.curve_db[CURVE_HZ < 29.0]))


@pytest.mark.parametrize("ppm", [-60.0, -20.0, 0.0, 5.0, 60.0])
def test_the_recorder_s_clock_is_read_within_two_millionths_or_six_percent(ppm: float) -> None:
    # Late by some samples, since the program looks for no signal before the recording.
    block = np.roll(heard(np.array([0.5]), np.random.default_rng(2), noise=0.0), 40, axis=0)
    at = np.arange(PLAYED.size) / (1.0 + 1e-6 * ppm)
    spline = scipy.interpolate.CubicSpline
    slow = np.stack([spline(np.arange(PLAYED.size), one, extrapolate=False)(at) for one in block.T], axis=1)
    slow = np.nan_to_num(slow)
    assert reading(slow.astype(np.float32)).clock_ppm == pytest.approx(ppm, abs=2.0, rel=0.06)


def test_a_loop_back_that_is_not_wired_tells_neither_time_nor_clock() -> None:
    block = heard(np.array([0.5]), np.random.default_rng(3))
    block[:, 1] = 1e-4 * np.random.default_rng(4).standard_normal(len(block))
    found = reading(block)
    assert (found.loop_db, found.clock_ppm, found.arrival_s) == (None, None, None)


def placed(angle_deg: float, seed: int, noise: float, front_m: float) -> Block:
    response = RehearsedLoudspeaker(angle_deg=angle_deg, front_m=front_m).response(RATE_HZ)
    return heard(response, np.random.default_rng(seed), noise=noise)


def test_a_loudspeaker_that_did_not_turn_is_told_and_one_that_did_is_not() -> None:
    """Over 60 drawn loudspeakers, noises and angles, in steps of 5 to 30 degrees."""
    rng = np.random.default_rng(5)
    missed, accused = 0, 0
    for seed in range(60):
        noise, front_m = float(10.0 ** rng.uniform(-6.0, -4.0)), float(rng.uniform(0.05, 0.25))
        angle, step = float(rng.uniform(-180.0, 180.0)), float(rng.choice([5.0, 10.0, 15.0, 30.0]))
        first = reading(placed(angle, 3 * seed, noise, front_m))
        same, turned = (reading(placed(at, 3 * seed + k, noise, front_m)) for k, at in ((1, angle), (2, angle + step)))
        missed += not is_same_place(first, same)
        accused += any(key == "not turned" for key, _ in doubts_against(turned, angle + step, first, angle, "before"))
    assert (missed, accused) == (0, 0)


def test_where_noise_hides_the_treble_nothing_is_claimed() -> None:
    one, other = (reading(placed(0.0, seed, 0.02, 0.1)) for seed in (1, 2))
    assert not is_same_place(one, other)


def test_a_microphone_that_moved_is_told_with_its_way() -> None:
    rng = np.random.default_rng(6)
    before, now = (reading(heard(np.array([0.5]), rng, delay=delay)) for delay in (140, 172))
    [(key, words)] = doubts_against(now, 10.0, before, 0.0, "0")
    # 32 samples at 48 kHz are 667 us, 22.9 cm at 343 m/s.
    assert key == "moved"
    assert "23 cm farther away than in take 0" in words
    assert doubts_against(before, 10.0, before, 10.0, "0") == ()


def test_the_place_made_again_is_quiet_about_noise_and_warm_air() -> None:
    """Two degrees warmer, sound is 0.35 % faster (331.3 + 0.606 t m/s, ISO 9613-1's ideal gas): 10 us over 1 m."""
    said = 0
    for seed in range(20):
        first = reading(placed(90.0, seed, 1e-5, 0.15))
        again = reading(placed(90.0, 100 + seed, 3e-5, 0.15))
        turn = np.exp(2j * np.pi * np.linspace(2000.0, 16_000.0, again.spectrum.size) * 1e-5)
        said += closing_words(first, replace(again, spectrum=again.spectrum * turn), "90") != ""
    assert said == 0
    slid = reading(placed(95.0, 1, 1e-5, 0.15))
    assert "made again differs" in closing_words(first, slid, "90")


def test_the_curve_in_words_names_the_change() -> None:
    rng = np.random.default_rng(7)
    now, before = (reading(heard(np.array([gain]), rng)) for gain in (0.25, 0.5))
    assert "against take 0: −6.0 dB below 2 kHz, −6.0 dB above" in curve_words(now, before, "0")


def speech(count: int, rng: np.random.Generator) -> FloatArray:
    """Noise with the long-term band of speech (300 to 2000 Hz), in syllables of some 4 Hz."""
    band = scipy.signal.butter(2, [300.0, 2000.0], "bandpass", fs=RATE_HZ, output="sos")
    time_s = np.arange(count) / RATE_HZ
    syllables = np.maximum(np.sin(2 * np.pi * rng.uniform(3.0, 5.0) * time_s + rng.uniform(0.0, 6.0)), 0.0) ** 2
    made = scipy.signal.sosfilt(band, rng.standard_normal(count)) * syllables
    return np.asarray(made / np.sqrt(np.mean(made**2)), dtype=np.float64)


def room_noise(count: int, rng: np.random.Generator) -> FloatArray:
    """Noise that falls by 3 to 9 dB an octave above 50 to 200 Hz, as rooms have it (common practice, no source)."""
    hz = np.fft.rfftfreq(count, 1.0 / RATE_HZ)
    shape = (1.0 + (hz / rng.uniform(50.0, 200.0)) ** 2) ** (-rng.uniform(0.25, 0.75))
    made = np.fft.irfft(np.fft.rfft(rng.standard_normal(count)) * shape, count)
    return np.asarray(made / np.sqrt(np.mean(made**2)), dtype=np.float64)


def test_what_else_sounds_is_named_in_drawn_rooms_and_silence_is_left_alone() -> None:
    """40 rooms each: nothing, hum, a tone, speech, a bang, 10 to 20 dB above the room. Drawn anew, not tuned on."""
    rng = np.random.default_rng(77)
    count = RATE_HZ // 2
    time_s = np.arange(count) / RATE_HZ
    found = dict.fromkeys(("nothing", "hum", "a tone", "speech", "a bang"), 0)
    for _ in range(40):
        for kind in found:
            extra = np.zeros(count)
            size = float(10.0 ** (rng.uniform(10.0, 20.0) / 20.0))
            if kind == "hum":
                mains = float(rng.choice([50.0, 60.0]))
                extra = sum((np.sin(2 * np.pi * mains * n * time_s + n) / n for n in (1, 2, 3)), extra)
            elif kind == "a tone":
                extra = np.sin(2 * np.pi * float(rng.uniform(400.0, 8000.0)) * time_s)
            elif kind == "speech":
                extra = speech(count, rng)
            elif kind == "a bang":
                extra = (
                    np.exp(-np.maximum(time_s - 0.2, 0.0) / 0.01) * (time_s > 0.2) * rng.standard_normal(count) * 4.0
                )
            words = background_words(1e-4 * (room_noise(count, rng) + size * extra), RATE_HZ)
            found[kind] += not words if kind == "nothing" else any(kind in one for one in words)
    assert found["nothing"] >= 38
    assert min(found.values()) >= 34, found


def test_a_bang_in_the_sweep_is_told_and_distortion_is_not() -> None:
    rng = np.random.default_rng(8)
    bang = np.zeros(PLAYED.size)
    bang[50_000:50_900] = 0.2 * rng.standard_normal(900)
    assert any("into the signal" in one for one in reading(heard(np.array([0.5]), rng, extra=bang)).background)
    block = heard(np.array([0.5]), rng)
    block[:, 0] += 0.3 * block[:, 0] ** 2 + 0.2 * block[:, 0] ** 3
    assert reading(block).background == ()


def test_too_little_silence_tells_nothing() -> None:
    assert background_words(np.ones(100), RATE_HZ) == ()
    assert bang_at(np.ones(100), RATE_HZ) is None
