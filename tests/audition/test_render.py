"""What is rendered is what was asked for: measured again, as a reader of the files would."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import butter, fftconvolve, sosfreqz

from earwitness.audition.filters import Convolver, minimum_phase_taps, on_bins
from earwitness.audition.render import MATERIAL, Version, filtered, flat, material, prepared, sound_of, through
from earwitness.dsp.sweep import sweep_law, sweep_samples
from earwitness.errors import InputError
from earwitness.insight.mend.equalizer import Band, Equalizer, gain_db
from earwitness.quantities import Curve
from earwitness.quantities.arrays import FloatArray, FrequencyAxis

HZ = np.geomspace(10.0, 22_000.0, 2000)


def response_db(taps: FloatArray, hz: FloatArray, rate_hz: float) -> FloatArray:
    """Discrete-time Fourier transform at hz, which are not the bins it was designed at."""
    size = 2**20
    spectrum = np.abs(np.fft.rfft(taps, size))
    return 20 * np.log10(np.interp(hz, np.arange(spectrum.size) * rate_hz / size, spectrum))


@pytest.mark.parametrize("rate_hz", [44_100.0, 48_000.0, 96_000.0])
def test_filters_of_random_equalizers_are_exact(rate_hz: float) -> None:
    """Audio EQ Cookbook (W3C Note, 2021) responses of 30 random equalizers: within 0.05 dB from 20 Hz to 20 kHz."""
    rng = np.random.default_rng(20_261_130)
    hz = np.geomspace(20.0, 20_000.0, 777)
    for _ in range(30):
        bands = tuple(
            Band(
                "peaking",
                float(np.exp(rng.uniform(np.log(30), np.log(16_000)))),
                rng.uniform(-10, 10),
                rng.uniform(0.5, 10),
            )
            for _ in range(int(rng.integers(1, 6)))
        )
        one = Equalizer(bands)
        taps = minimum_phase_taps(HZ, gain_db(one, HZ, 96_000.0), rate_hz)
        assert np.abs(response_db(taps, hz, rate_hz) - gain_db(one, hz, 96_000.0)).max() < 0.05


def test_a_loudspeakers_low_cut_keeps_its_minimum_phase() -> None:
    """A second-order high-pass of an analog box is of minimum phase: the phase is that of its formula (scipy)."""
    sections = butter(2, 60.0, "highpass", fs=48_000.0, output="sos")
    hz = np.geomspace(40.0, 2000.0, 300)
    _, wanted = sosfreqz(sections, HZ, fs=48_000.0)
    taps = minimum_phase_taps(HZ, 20 * np.log10(np.abs(wanted)), 48_000.0)
    made = np.exp(-2j * np.pi * np.outer(hz, np.arange(taps.size)) / 48_000.0) @ taps
    _, truth = sosfreqz(sections, hz, fs=48_000.0)
    assert np.abs(20 * np.log10(np.abs(made / truth))).max() < 0.05
    # Below 10 Hz the level is held, which turns the phase a little above it.
    assert np.abs(np.degrees(np.angle(made / truth)))[hz > 150].max() < 8.0


def test_a_rendered_sweep_measured_again_is_the_response_asked_for() -> None:
    asked = 3.0 * np.sin(2.0 * np.log(HZ)) - 0.5 * np.log2(HZ / 1000.0)
    version = Version("a", "a", HZ, asked, (HZ[0], HZ[-1]))
    sweep = sweep_samples(sweep_law(10.0, 22_000.0, 4.0), 48_000.0)
    sound = sound_of(np.concatenate([sweep, np.zeros(96_000)])[None, :] * 0.1, 48_000)
    (one,) = prepared([version], sound)
    heard = np.concatenate(list(filtered(sound, one.taps, one.gain_db)), axis=1)[0]
    size = 2**20
    ratio = np.fft.rfft(heard, size) / np.fft.rfft(np.concatenate(list(sound.pieces()), axis=1)[0], size)
    hz = np.geomspace(20.0, 20_000.0, 500)
    level = np.interp(hz, np.arange(size // 2 + 1) * 48_000 / size, 20 * np.log10(np.abs(ratio))) - one.gain_db
    assert np.abs(level - on_bins(hz, HZ, asked)).max() < 0.05


def test_pieces_are_convolved_like_the_whole() -> None:
    rng = np.random.default_rng(1)
    taps, sound = rng.standard_normal(1000), rng.standard_normal((2, 70_001))
    through_it = Convolver(taps, 2)
    parts = [through_it(sound[:, a:b]) for a, b in ((0, 1), (1, 999), (999, 65_000), (65_000, 70_001))]
    whole = fftconvolve(sound, taps[None, :], axes=1)[:, : sound.shape[1]]
    assert np.abs(np.concatenate(parts, axis=1) - whole).max() < 1e-9


def test_a_loop_has_its_own_tail_in_it() -> None:
    """The second of two passes: circular convolution (handbook)."""
    loop = material("drums", 48_000)
    taps = minimum_phase_taps(HZ, gain_db(Equalizer((Band("peaking", 60.0, 9.0, 8.0),)), HZ), 48_000.0)
    made = np.concatenate(list(filtered(sound_of(loop, 48_000, loops=True), taps)), axis=1)[0]
    turned = np.fft.irfft(np.fft.rfft(loop[0]) * np.fft.rfft(taps, loop.shape[1]), loop.shape[1])
    assert np.abs(made - turned).max() < 1e-9


@pytest.mark.parametrize("name", sorted(MATERIAL))
def test_loops_meet_their_beginning_and_are_the_same_each_time(name: str) -> None:
    once, again = material(name, 48_000)[0], material(name, 48_000)[0]
    assert np.array_equal(once, again)
    steps = np.abs(np.diff(once))
    assert abs(once[0] - once[-1]) <= steps.max()


def test_versions_are_equally_loud_and_do_not_clip() -> None:
    """An independent implementation of BS.1770 reads all within 0.1 LU of each other; true peaks are below -1 dB."""
    import pyloudnorm

    rng = np.random.default_rng(5)
    versions = [flat(HZ)]
    for number in range(6):
        shape = gain_db(
            Equalizer((Band("peaking", float(rng.uniform(40, 9000)), float(rng.uniform(-12, 12)), 1.0),)), HZ
        )
        versions.append(flat(HZ).with_change(f"v{number}", "", shape))
    sound = sound_of(np.concatenate([material("pluck", 48_000)] * 2, axis=1) * 4.0, 48_000)
    made = prepared(versions, sound)
    meter = pyloudnorm.Meter(48_000, filter_class="DeMan")
    files = [np.concatenate(list(filtered(sound, one.taps, one.gain_db)), axis=1).T for one in made]
    read = [meter.integrated_loudness(file) for file in files]
    assert max(read) - min(read) < 0.1
    assert all(one.true_peak_db <= -1.0 + 1e-9 for one in made)
    equal = prepared(versions, sound, match_loudness=False)
    assert len({one.gain_db for one in equal}) == 1
    assert max(one.loudness_lufs for one in equal) - min(one.loudness_lufs for one in equal) > 0.5


def test_a_curve_is_rendered_where_it_is_valid_and_held_beyond() -> None:
    hz = np.geomspace(20.0, 20_000.0, 200)
    valid = (hz > 50.0) & (hz < 15_000.0)
    curve = Curve("on_axis", "on axis", FrequencyAxis(hz), np.where(valid, 85.0 + np.log2(hz), 0.0), np.zeros(200),
                  np.zeros(200), valid, "dB", "dB SPL")  # fmt: skip
    version = through(curve, "as-is", "as is")
    assert version.bounded_hz == pytest.approx((hz[valid][0], hz[valid][-1]))
    assert on_bins(np.array([20.0, 19_000.0]), version.hz, version.level_db) == pytest.approx(version.level_db[[0, -1]])
    middle = (version.hz >= 300.0) & (version.hz <= 3000.0)
    assert float(np.mean(version.level_db[middle])) == pytest.approx(0.0, abs=1e-9)
    with pytest.raises(InputError, match="300 Hz"):
        through(replace(curve, valid=valid & (hz > 500.0)), "", "")


def test_a_sound_without_loudness_is_refused() -> None:
    with pytest.raises(InputError, match="too short or too quiet"):
        prepared([flat(HZ)], sound_of(np.zeros((1, 48_000)), 48_000))
