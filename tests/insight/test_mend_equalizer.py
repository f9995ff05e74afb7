"""Bands and their response: Audio EQ Cookbook (W3C note, 2021), scipy's filters, derivatives by differences."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.errors import InputError
from earwitness.insight.mend.equalizer import (
    KINDS,
    Band,
    BandKind,
    Equalizer,
    band_gains,
    band_gains_and_slopes,
    gain_db,
    prewarped,
    response,
    sections,
)

TONES = np.array([20.0, 100.0, 1000.0, 8000.0, 16000.0, 20000.0])
ROOT = 2**-0.5


@pytest.mark.parametrize(
    ("kind", "frequency_hz", "gain", "q", "expected"),
    [
        ("peaking", 1000.0, 6.0, 1.0, [0.0026, 0.0652, 6.0, 0.0844, 0.0093, 0.0020]),  # C11.2
        ("peaking", 60.0, -8.0, 4.0, [-0.0797, -0.4674, -0.0021, 0.0, 0.0, 0.0]),  # C11.4
        ("peaking", 16000.0, 6.0, 1.0, [0.0, 0.0001, 0.0093, 0.7783, 6.0, 1.5979]),  # C11.6
        ("low_shelf", 100.0, -4.0, ROOT, [-3.9934, -2.0, -0.0004, 0.0, 0.0, 0.0]),  # C11.8
        ("high_shelf", 8000.0, 3.0, ROOT, [0.0, 0.0, 0.0005, 1.5, 2.9627, 2.9982]),  # C11.10
    ],
)
def test_gain_is_the_cookbook_s(
    kind: BandKind, frequency_hz: float, gain: float, q: float, expected: list[float]
) -> None:
    found = gain_db(Equalizer((Band(kind, frequency_hz, gain, q),)), TONES)
    np.testing.assert_allclose(found, expected, atol=6e-5)


bands = st.builds(
    Band,
    st.sampled_from(KINDS),
    st.floats(20.0, 20_000.0),
    st.floats(-15.0, 15.0),
    st.floats(0.2, 15.0),
)


@given(st.lists(bands, min_size=1, max_size=6), st.sampled_from([44_100.0, 48_000.0, 96_000.0]))
@settings(deadline=None, derandomize=True, max_examples=50)
def test_gain_agrees_with_scipy(chosen: list[Band], rate_hz: float) -> None:
    equalizer = Equalizer(tuple(chosen))
    hz = np.geomspace(10.0, 0.49 * rate_hz, 200)
    theirs = scipy.signal.freqz_sos(sections(equalizer, rate_hz), worN=hz, fs=rate_hz)[1]
    np.testing.assert_allclose(gain_db(equalizer, hz, rate_hz), 20 * np.log10(np.abs(theirs)), atol=2e-6)
    np.testing.assert_allclose(response(equalizer, hz, rate_hz), theirs, rtol=1e-6)


@given(bands)
@settings(deadline=None, derandomize=True, max_examples=50)
def test_slopes_are_the_differences(band: Band) -> None:
    hz = np.geomspace(20.0, 20_000.0, 60)
    warped = prewarped(hz, 48_000.0)
    kinds = np.array([KINDS.index(band.kind)])
    place = [np.log([band.frequency_hz]), np.log([band.q]), np.array([band.gain_db])]
    gains, slopes = band_gains_and_slopes(kinds, *place, warped, 48_000.0)
    np.testing.assert_allclose(gains, band_gains(kinds, *place, warped, 48_000.0), atol=1e-12)
    step = 1e-6
    for i in range(3):
        up, down = [p.copy() for p in place], [p.copy() for p in place]
        up[i] += step
        down[i] -= step
        numeric = (band_gains(kinds, *up, warped, 48_000.0) - band_gains(kinds, *down, warped, 48_000.0)) / (2 * step)
        np.testing.assert_allclose(slopes[i], numeric, rtol=1e-5, atol=1e-5)


def test_boost_and_equal_cut_cancel() -> None:
    """Audio EQ Cookbook: a peaking boost and the equal cut are inverses."""
    pair = Equalizer((Band("peaking", 900.0, 7.0, 3.0), Band("peaking", 900.0, -7.0, 3.0)))
    np.testing.assert_allclose(gain_db(pair, TONES), 0.0, atol=1e-12)


def test_no_bands_change_nothing() -> None:
    np.testing.assert_array_equal(gain_db(Equalizer(()), TONES), 0.0)
    np.testing.assert_array_equal(response(Equalizer(()), TONES), 1.0)
    assert sections(Equalizer(())).shape == (0, 6)


def test_rounding_to_settable_steps() -> None:
    assert Band("peaking", 1234.56, -3.04, 1.237).rounded() == Band("peaking", 1235.0, -3.0, 1.24)
    assert Band("peaking", 43.21, 0.01, 0.5).rounded() == Band("peaking", 43.2, 0.0, 0.5)


def test_refusals() -> None:
    with pytest.raises(InputError, match="kind of band"):
        Band("notch", 100.0, 0.0, 1.0)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="above zero"):
        Band("peaking", 100.0, 0.0, 0.0)
    with pytest.raises(InputError, match="at most 20"):
        Equalizer((Band("peaking", 100.0, 0.0, 1.0),) * 21)
    with pytest.raises(InputError, match="higher sample rate"):
        gain_db(Equalizer((Band("peaking", 23_900.0, 1.0, 1.0),)), TONES)
