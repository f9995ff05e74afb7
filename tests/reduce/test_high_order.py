"""The alarm for rub and buzz: clicks once a period are found where they are, soft bends and noise are not."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from earwitness.dsp.sweep import sweep_law, sweep_samples
from earwitness.quantities.arrays import FloatArray
from earwitness.reduce.harmonics import HighOrderDistortion, high_order_flags, high_orders
from earwitness.reduce.stimulus import Stimulus
from plain_deconvolution import deconvolve

RATE = 48_000
LAW = sweep_law(10.0, 22_000.0, 4.0, rounded=True)


def found(bend: Callable[[FloatArray], FloatArray], *, noise: float = 1e-5, rumble: float = 0.0) -> HighOrderDistortion:
    """High orders of a sweep of amplitude 1 through `bend`, with noise, and rumble of 15 Hz that lies 3 s early."""
    sweep = sweep_samples(LAW, RATE, fade_in_s=0.05, fade_out_s=0.002)
    heard = np.concatenate([np.zeros(RATE // 4), bend(sweep), np.zeros(RATE)])
    heard = heard + noise * np.random.default_rng(4).standard_normal(heard.size)
    impulse = deconvolve(heard, sweep, RATE, LAW.start_hz, LAW.stop_hz, lead_s=4.0)
    impulse = np.roll(impulse, 4 * RATE)[: 2**18]
    at = (np.arange(impulse.size) - int(np.argmax(np.abs(impulse)))) / RATE + 3.0
    impulse = impulse + rumble * np.max(np.abs(impulse)) * np.exp(-((at / 0.2) ** 2)) * np.sin(2 * np.pi * 15.0 * at)
    stimulus = Stimulus(sweep, RATE, LAW, LAW.start_hz, LAW.stop_hz, 0.25)
    orders = high_orders(impulse, stimulus, take="loud", drive_v=8.0)
    assert orders is not None
    return orders


def buzz(samples: FloatArray) -> FloatArray:
    """A click of 3 % at each crest while the sweep passes 60 to 90 Hz."""
    time = np.arange(samples.size) / RATE
    hz = LAW.start_hz * np.exp(time / LAW.rate_s)
    crest = (np.diff(samples, prepend=0.0) > 0.0) & (np.diff(samples, append=samples[-1:]) <= 0.0)
    return samples + 0.03 * (crest & (hz > 60.0) & (hz < 90.0))


def test_a_buzz_is_found_where_it_is() -> None:
    flags = high_order_flags([found(buzz)])
    assert [flag.id for flag in flags] == ["high orders"]
    assert flags[0].takes == ("loud",)
    assert flags[0].band_hz is not None
    low, high = flags[0].band_hz
    assert 50.0 < low < 70.0
    assert 75.0 < high < 100.0
    # The clicks are 3 % of the peak: -27 dB against the rms; without their first nine orders somewhat less.
    assert -36.0 < flags[0].number < -26.0


def test_a_soft_bend_raises_no_alarm() -> None:
    """A polynomial of order 5 has no order above 5, however strong it is."""
    assert high_order_flags([found(lambda x: x + 0.1 * x**2 + 0.1 * x**3 + 0.05 * x**5)]) == []


def test_noise_raises_no_alarm() -> None:
    assert high_order_flags([found(lambda x: x, noise=0.01)]) == []


def test_rumble_of_a_room_raises_no_alarm_at_the_end_of_the_sweep() -> None:
    """Heard late and low it stands, on the circle of the response, where orders 10 and up of 1.6 kHz do; those lie
    above 16 kHz."""
    quiet, rumbling = (found(lambda x: x, rumble=size) for size in (0.0, 1e-4))
    assert high_order_flags([rumbling]) == []
    upper = rumbling.frequency_hz > 500.0
    assert np.abs(rumbling.relative_db - quiet.relative_db)[upper].max() < 1.0


def test_a_hard_clipper_is_told() -> None:
    flags = high_order_flags([found(lambda x: np.clip(x, -0.7, 0.7))])
    assert len(flags) == 1
    assert "amplifier clips" in flags[0].sentence


def test_a_bang_that_outlasts_many_periods_is_no_part_that_rubs() -> None:
    """Noise of 40 ms while the sweep passes 600 Hz comes in no period as in the one before."""

    def bang(samples: FloatArray) -> FloatArray:
        begins = round(RATE * LAW.rate_s * float(np.log(600.0 / LAW.start_hz)))
        shape = np.random.default_rng(8).standard_normal(RATE // 5) * np.exp(-np.arange(RATE // 5) / (0.04 * RATE))
        out = samples.copy()
        out[begins : begins + shape.size] += 0.1 * shape
        return out

    orders = found(bang)
    there = (orders.frequency_hz > 550.0) & (orders.frequency_hz < 700.0)
    assert orders.relative_db[there].max() > -46.0
    assert high_order_flags([orders]) == []
