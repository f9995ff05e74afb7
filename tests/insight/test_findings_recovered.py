"""Planted filters and resonances come back; smooth curves give nothing.

Outside: analog transfer functions written out here (peaking filter of the Audio EQ Cookbook, W3C, 2021; parallel
resonance) and Butterworth responses of scipy.signal.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from earwitness.insight.findings.decompose import decompose
from earwitness.quantities import Curve, report_axis

HZ = report_axis().hz


def peaking_db(center_hz: float, q: float, gain_db: float) -> NDArray[np.float64]:
    s, a = 1j * HZ / center_hz, 10 ** (gain_db / 40)
    return np.asarray(20 * np.log10(np.abs((s**2 + s * a / q + 1) / (s**2 + s / (a * q) + 1))))


def parallel_resonance_db(center_hz: float, q: float, part: float) -> NDArray[np.float64]:
    s = 1j * HZ / center_hz
    return np.asarray(20 * np.log10(np.abs(1 + part * (s / q) / (s**2 + s / q + 1))))


def butterworth_db(order: int, corner_hz: float, kind: str) -> NDArray[np.float64]:
    b, a = signal.butter(order, 2 * np.pi * corner_hz, kind, analog=True)
    return np.asarray(20 * np.log10(np.abs(signal.freqs(b, a, 2 * np.pi * HZ)[1])))


SMOOTH = {
    "flat": np.zeros_like(HZ),
    "tilted": -0.8 * np.log2(HZ / 1000),
    "Butterworth 2": butterworth_db(2, 60.0, "high"),
    "Butterworth 4": butterworth_db(4, 35.0, "high"),
    "Butterworth 3, tilted": butterworth_db(3, 45.0, "high") - 0.3 * np.log2(HZ / 1000),
    "band-pass": butterworth_db(4, 40.0, "high") + butterworth_db(2, 18_000.0, "low"),
}


def curve(level_db: NDArray[np.float64], *, noise_db: float = 0.0) -> Curve:
    noise = np.random.default_rng(5).normal(0.0, 1.0, HZ.size) * noise_db
    zero = np.zeros_like(HZ)
    valid = np.ones(HZ.size, dtype=bool)
    return Curve("on_axis", "on axis", report_axis(), 86 + level_db + noise, zero, zero, valid, "dB", "dB")


@pytest.mark.parametrize("name", SMOOTH)
@pytest.mark.parametrize("noise_db", [0.0, 0.1])
def test_smooth_curves_give_nothing(name: str, noise_db: float) -> None:
    found = decompose(curve(SMOOTH[name], noise_db=noise_db))
    assert found is not None
    assert found.peaks == ()


@pytest.mark.parametrize("name", ["flat", "tilted", "Butterworth 2", "Butterworth 4"])
@pytest.mark.parametrize("center_hz", [150.0, 1000.0, 6500.0])
@pytest.mark.parametrize(("q", "gain_db"), [(1.0, 3.0), (1.0, -6.0), (2.0, 1.5), (5.0, -3.0), (10.0, 6.0), (20.0, 3.0)])
def test_planted_filters_come_back(name: str, center_hz: float, q: float, gain_db: float) -> None:
    found = decompose(curve(SMOOTH[name] + peaking_db(center_hz, q, gain_db)))
    assert found is not None
    (peak,) = found.peaks
    assert peak.center_hz == pytest.approx(center_hz, rel=0.03)
    assert peak.size_db == pytest.approx(gain_db, abs=0.3)
    assert peak.q == pytest.approx(q, rel=0.25)


def test_several_at_once_come_back() -> None:
    planted = [(200.0, 1.0, 3.0), (900.0, 4.0, -4.0), (3200.0, 2.0, 2.5), (7000.0, 12.0, 5.0)]
    level = SMOOTH["Butterworth 4"] + sum(peaking_db(*one) for one in planted)
    found = decompose(curve(level, noise_db=0.05))
    assert found is not None
    assert len(found.peaks) == len(planted)
    for peak, (center_hz, q, gain_db) in zip(sorted(found.peaks, key=lambda one: one.center_hz), planted, strict=True):
        assert peak.center_hz == pytest.approx(center_hz, rel=0.03)
        assert peak.size_db == pytest.approx(gain_db, abs=0.3)
        assert peak.q == pytest.approx(q, rel=0.25)


def test_parallel_resonance_has_the_q_of_the_handbook() -> None:
    # Check value C9.6, C9.7: Q = 5 raising 3 dB looks like a peaking filter of Q 4.2070.
    found = decompose(curve(parallel_resonance_db(1000.0, 5.0, 10 ** (3 / 20) - 1)))
    assert found is not None
    (peak,) = found.peaks
    assert peak.q == pytest.approx(4.2070, rel=0.03)
    assert peak.size_db == pytest.approx(3.0, abs=0.1)


def test_trend_is_the_butterworth_that_was_given() -> None:
    found = decompose(curve(SMOOTH["Butterworth 3, tilted"]))
    assert found is not None
    assert found.slope_db_per_octave == pytest.approx(-0.3, abs=0.02)
    assert found.low_corner_hz == pytest.approx(45.0, rel=0.02)
    assert found.low_order == pytest.approx(3.0, rel=0.03)


def test_noise_is_no_peak() -> None:
    found = decompose(curve(SMOOTH["flat"], noise_db=0.5))
    assert found is not None
    assert found.peaks == ()


def test_two_octaves_are_too_few() -> None:
    short = curve(SMOOTH["flat"])
    valid = (HZ > 1000) & (HZ < 4000)
    cut = Curve("on_axis", "on axis", short.axis, short.values, short.u, short.u_common, valid, "dB", "dB")
    assert decompose(cut) is None
