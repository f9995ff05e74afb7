"""What a gate cuts off of a high-pass: added to what the gate leaves, it must be the whole again (scipy's filters)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from earwitness.quantities import Gate, report_axis
from earwitness.reduce.gate import cut_tail, weights_of

HZ = report_axis().hz
RATE = 48_000
GATE = Gate(-0.7e-3, 5e-3, 2e-3, 5.2e-3, "room dimensions", 240.0)


def made(corner_hz: float, order: int, low_pass_hz: float = 3000.0) -> tuple[np.ndarray, np.ndarray]:
    """(F,) response of a band-pass, and what a gate of GATE leaves of it."""
    sos = np.concatenate(
        [
            signal.butter(order, corner_hz, "highpass", fs=RATE, output="sos"),
            signal.butter(2, low_pass_hz, fs=RATE, output="sos"),
        ]
    )
    impulse = signal.sosfilt(sos, np.eye(1, RATE)[0])
    time = np.arange(RATE) / RATE
    turn = np.exp(-2j * np.pi * np.outer(HZ[HZ < 2000], time[:4800]))
    whole = signal.sosfreqz(sos, HZ[HZ < 2000], fs=RATE)[1]
    return whole, turn @ (impulse * weights_of(GATE, time))[:4800]


@pytest.mark.parametrize(("corner_hz", "order"), [(50.0, 2), (70.0, 4), (100.0, 4)])
def test_gate_and_tail_are_the_whole(corner_hz: float, order: int) -> None:
    whole, gated = made(corner_hz, order)
    low = HZ < 2000
    bass = np.zeros(HZ.size, complex)
    bass[low] = whole
    tail = cut_tail(HZ, bass[None], 800.0, GATE)[0, low]
    rows = (HZ[low] > 200) & (HZ[low] < 700)
    before = np.abs(20 * np.log10(np.abs(gated / whole)))[rows].max()
    after = np.abs(20 * np.log10(np.abs((gated + tail) / whole)))[rows].max()
    assert before > 0.4
    assert after < 0.12 * before


def test_above_a_subwoofers_band_what_is_left_is_leak() -> None:
    """Eighth-order low-pass at 90 Hz: at 600 Hz the gated far field is far above the truth, and all of it is tail."""
    sos = np.concatenate([signal.butter(2, 30.0, "highpass", fs=RATE, output="sos"),
                          signal.butter(8, 90.0, fs=RATE, output="sos")])  # fmt: skip
    impulse = signal.sosfilt(sos, np.eye(1, RATE)[0])
    time = np.arange(RATE) / RATE
    at = int(np.argmin(np.abs(HZ - 600.0)))
    gated = np.sum(impulse * weights_of(GATE, time) * np.exp(-2j * np.pi * HZ[at] * time))
    bass = signal.sosfreqz(sos, HZ, fs=RATE)[1]
    tail = cut_tail(HZ, bass[None], 800.0, GATE)[0, at]
    assert abs(gated) > 30 * abs(bass[at])
    assert abs(gated + tail) < 0.3 * abs(tail)
