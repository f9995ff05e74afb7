"""The short way to the lower end of a long transform, against numpy's own transform of the whole."""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.dsp.signals import fine_spectrum


@pytest.mark.parametrize(
    ("count", "length", "last"),
    [(13_800, 480_000, 6_300), (4_097, 48_000, 1_000), (1_000, 4_000, 2_000), (700, 1_500, 600), (31, 640, 320)],
)
def test_every_bin_is_that_of_the_whole_transform(count: int, length: int, last: int) -> None:
    """Also where no short transform fits in and the whole one is done."""
    samples = np.random.default_rng(count).standard_normal(count)
    whole = np.fft.rfft(samples, length)[: last + 1] * np.exp(2j * np.pi * (count // 2) / length * np.arange(last + 1))
    found = fine_spectrum(samples, length, last)
    assert found.shape == (last + 1,)
    np.testing.assert_allclose(found, whole, rtol=0.0, atol=1e-12 * np.abs(whole).max())


def test_a_faint_tone_beside_a_strong_one_keeps_its_level() -> None:
    """100 dB under its neighbor, as a harmonic may be; numpy's transform is the judge."""
    time = np.arange(13_800) / 48_000.0
    window = np.hanning(time.size)
    samples = window * (np.sin(2.0 * np.pi * 40.0 * time) + 1e-5 * np.sin(2.0 * np.pi * 600.0 * time))
    whole = np.abs(np.fft.rfft(samples, 480_000))[5_900:6_100]
    found = np.abs(fine_spectrum(samples, 480_000, 6_300))[5_900:6_100]
    assert found.max() == pytest.approx(whole.max(), rel=1e-8)
