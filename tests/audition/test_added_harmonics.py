"""Harmonics added to a sound, read back by Fourier transform: sines, two tones, loops, and the phase of a crossover."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, sosfreqz

from earwitness.audition.filters import LEAD_S, minimum_phase_taps
from earwitness.audition.render import (
    AddedHarmonics,
    HarmonicLevel,
    Version,
    distorted,
    flat,
    played,
    prepared,
    sound_of,
)
from earwitness.errors import InputError
from earwitness.quantities import Curve
from earwitness.quantities.arrays import FloatArray, FrequencyAxis

RATE_HZ = 48_000
HZ = np.geomspace(20.0, 20_000.0, 400)
TAPS = np.concatenate([[1.0], np.zeros(63)])


def level(order: int, hz: float) -> float:
    return float(-30.0 - 6.0 * order + 4.0 * np.sin(np.log(hz)))


def bent(order: int) -> HarmonicLevel:
    return HarmonicLevel(order, order * HZ, np.array([level(order, hz) for hz in HZ]))


def begun(samples: FloatArray) -> FloatArray:
    """Faded in, as a sudden start has a higher peak between its samples."""
    rise = np.minimum(np.arange(samples.size) / (RATE_HZ / 4), 1.0)
    return (samples * np.sin(np.pi / 2 * rise) ** 2)[None, :]


def amplitude(samples: FloatArray, hz: float) -> float:
    """Of a tone that fits a whole number of times into the samples: its Fourier coefficient."""
    at = np.arange(samples.size) / RATE_HZ
    return float(abs(2.0 * np.mean(samples * np.exp(-2j * np.pi * hz * at))))


@pytest.mark.parametrize("hz", [60.0, 440.0, 1000.0, 3000.0])
@pytest.mark.parametrize("peak", [0.02, 0.7])
def test_a_sine_gets_the_harmonics_that_were_measured(hz: float, peak: float) -> None:
    """Definition of harmonic distortion: amplitude at n f over that at f, for a sine that is the sound's peak."""
    tone = begun(peak * np.sin(2.0 * np.pi * hz * np.arange(4 * RATE_HZ) / RATE_HZ))
    version = Version("v", "", HZ, np.zeros(HZ.size), (20.0, 20_000.0), harmonics=tuple(map(bent, (2, 3, 4, 5))))
    heard = np.concatenate(list(played(version, sound_of(tone, RATE_HZ), TAPS)), axis=1)[0, -RATE_HZ:]
    assert amplitude(heard, hz) == pytest.approx(peak, rel=1e-3)
    for order in (2, 3, 4, 5):
        found = 20.0 * np.log10(amplitude(heard, order * hz) / peak)
        assert found == pytest.approx(level(order, hz), abs=0.1), order
    spectrum = np.abs(np.fft.rfft(heard * np.hanning(heard.size)))
    own = np.arange(spectrum.size) * RATE_HZ / heard.size
    away = np.all([np.abs(own - n * hz) > 8.0 for n in range(1, 6)], axis=0)
    assert 20.0 * np.log10(spectrum[away].max() / spectrum.max()) < -100.0


def test_two_tones_get_the_products_of_the_polynomial() -> None:
    """T_2(x) = 2 x^2 - 1 of two tones of half the peak: sum and difference have 6 dB more than each second harmonic
    (handbook, trigonometry)."""
    at = np.arange(4 * RATE_HZ) / RATE_HZ
    both = begun(0.4 * (np.cos(2 * np.pi * 1000.0 * at) + np.cos(2 * np.pi * 1300.0 * at)))
    even = HarmonicLevel(2, 2 * HZ, np.full(HZ.size, -40.0))
    added = np.concatenate(list(AddedHarmonics(sound_of(both, RATE_HZ), (even,)).pieces()), axis=1)[0, -RATE_HZ:]
    second = amplitude(added, 2000.0)
    # A T_2(x / A) with x = A / 2 cos: A / 4 cos 2a.
    assert second == pytest.approx(0.01 * 0.8 / 4.0, rel=0.01)
    for hz in (300.0, 2300.0):
        assert amplitude(added, hz) / second == pytest.approx(2.0, rel=0.01)


def test_a_loop_goes_on_as_if_it_had_been_played_before() -> None:
    rng = np.random.default_rng(3)
    spectrum = np.zeros(RATE_HZ // 2 + 1, dtype=complex)
    spectrum[100:8000] = rng.standard_normal(7900) + 1j * rng.standard_normal(7900)
    loop = np.fft.irfft(spectrum)[None, :]
    loop /= np.abs(loop).max()
    once = np.concatenate(list(AddedHarmonics(sound_of(loop, RATE_HZ, loops=True), (bent(2),)).pieces()), axis=1)
    long = sound_of(np.tile(loop, 4) * np.minimum(np.arange(4 * RATE_HZ) / RATE_HZ, 1.0), RATE_HZ)
    four = np.concatenate(list(AddedHarmonics(long, (bent(2),)).pieces()), axis=1)
    assert np.abs(once - four[:, -RATE_HZ:]).max() < 1e-6 * np.abs(once).max()


def test_harmonics_under_the_noise_are_not_added() -> None:
    axis = FrequencyAxis(HZ)
    known = Curve.of("distortion_3", "", axis, np.full(HZ.size, -50.0), HZ > 100.0)
    lost = Curve.of("distortion_2", "", axis, np.full(HZ.size, -50.0), np.zeros(HZ.size, dtype=bool))
    made = distorted(flat(HZ), {2: lost, 3: known}, "distorted", "")
    assert [one.order for one in made.harmonics] == [3]
    assert made.harmonics[0].hz[0] > 300.0
    with pytest.raises(InputError, match="clear of the noise"):
        distorted(flat(HZ), {2: lost}, "distorted", "")


def test_a_crossovers_phase_is_rendered_and_others_wait_for_it() -> None:
    """Fourth-order Linkwitz-Riley sum: flat, its phase that of a second-order all-pass (handbook; scipy's filters)."""
    low = butter(2, 2000.0, output="sos", fs=RATE_HZ)
    high = butter(2, 2000.0, "highpass", output="sos", fs=RATE_HZ)
    hz = np.linspace(20.0, 20_000.0, 2000)
    _, whole = sosfreqz(np.concatenate([low, low]), hz, fs=RATE_HZ)
    _, rest = sosfreqz(np.concatenate([high, high]), hz, fs=RATE_HZ)
    summed = whole + rest
    phase = np.unwrap(np.angle(summed))
    assert np.abs(20 * np.log10(np.abs(summed))).max() < 1e-6
    # A sign and a delay of the whole are none of the loudspeaker's sound.
    taps = minimum_phase_taps(hz, np.zeros(hz.size), RATE_HZ, phase + 5.0 * np.pi - 0.003 * 2.0 * np.pi * hz)
    at = np.linspace(60.0, 18_000.0, 300)
    made = np.exp(-2j * np.pi * np.outer(at, np.arange(taps.size) / RATE_HZ - LEAD_S)) @ taps
    wanted = np.interp(at, hz, np.abs(summed)) * np.exp(1j * np.interp(at, hz, phase))
    assert np.abs(20 * np.log10(np.abs(made))).max() < 0.05
    left = np.unwrap(np.angle(made / wanted))
    line = np.polyfit(at, left, 1)
    assert np.degrees(np.abs(left - np.polyval(line, at))).max() < 1.0
    # Set by the mean of the treble, where the all-pass is late itself.
    assert abs(line[0]) / (2.0 * np.pi) < 5e-5
    sound = sound_of(np.random.default_rng(1).standard_normal((1, RATE_HZ)) * 0.1, RATE_HZ)
    versions = (flat(hz), Version("phase", "", hz, np.zeros(hz.size), (20.0, 20_000.0), phase_rad=np.zeros(hz.size)))
    first, second = (np.concatenate(list(one.pieces()), axis=1) for one in prepared(versions, sound))
    assert np.abs(first - second).max() < 1e-3 * np.abs(first).max()
