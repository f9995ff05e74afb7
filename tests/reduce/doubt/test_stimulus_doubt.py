"""Another sweep than stated: what differs, and the value that would fit.

Closed forms: a sweep of L' divided by one of L leaves a delay (L' - L) ln f; classic and synchronized form differ by
the phase 2 pi f1 L.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from recorded import HIGH, LENGTH_S, LOW, RATE, Array, framed, loudspeaker, stated, sweep, transformed, wire
from scipy import signal

from earwitness.reduce.doubt.stimulus import Cause, cause_of, loop_reading, microphone_reading, track_of

PLAYED, STATED = sweep(), stated()


def by_loop(y: Array) -> Cause | None:
    spectrum, length, played = transformed(y, PLAYED)
    found = loop_reading(spectrum, length, STATED, played)
    assert found is not None
    return cause_of(found, STATED, track_of(y, RATE))


def by_microphone(y: Array) -> Cause | None:
    spectrum, length, played = transformed(y, PLAYED)
    found = microphone_reading(spectrum, length, STATED, played)
    assert found is not None
    return cause_of(found, STATED)


def resampled(y: Array, ratio: float) -> Array:
    """As a clock that is `ratio` times as fast sees it, by the discrete Fourier series."""
    return np.asarray(signal.resample(y, round(y.size * ratio)))


WRONG = [
    (framed(sweep(high=9000.0)), "stop", "stop_hz = 9000"),
    (framed(sweep(low=30.0)), "start", "start_hz = 30"),
    (framed(sweep(length_s=2.0)), "length", "duration_s = 2"),
    (framed(sweep(classic=True)), "form", 'form = "classic"'),
    (resampled(framed(PLAYED), 44_100 / 48_000), "rate", "true sample rate"),
    (resampled(framed(PLAYED), 1.001), "clock", ""),
]


@pytest.mark.parametrize(("y", "key", "fit"), WRONG)
def test_the_loop_back_tells_the_cause_and_what_would_fit(y: Array, key: str, fit: str) -> None:
    for seed in range(3):
        found = by_loop(wire(np.random.default_rng([11, seed]), y))
        assert found is not None
        assert found.key == key
        assert fit in found.fit


@pytest.mark.parametrize(("y", "key", "fit"), [one for one in WRONG if one[1] in ("stop", "start", "length", "rate")])
def test_a_microphone_in_a_room_tells_it_too(y: Array, key: str, fit: str) -> None:
    found = by_microphone(loudspeaker(np.random.default_rng([12, len(key)]), y))
    assert found is not None
    if key != "rate":
        name, value = fit.split(" = ")
        told = next(part for part in found.fit.split(" or ") if part.startswith(name))
        assert float(told.split(" = ")[1]) == pytest.approx(float(value), rel=0.03)


def test_the_right_sweep_leaves_no_doubt() -> None:
    for seed in range(8):
        rng = np.random.default_rng([13, seed])
        assert by_loop(wire(rng, framed(PLAYED))) is None
        assert by_loop(-wire(rng, framed(PLAYED))) is None
        assert by_microphone(loudspeaker(rng, framed(PLAYED), snr_db=40.0)) is None


def test_the_error_of_the_rate_is_read_as_it_is() -> None:
    spectrum, length, played = transformed(resampled(framed(PLAYED), 1.001), PLAYED)
    found = loop_reading(spectrum, length, STATED, played)
    assert found is not None
    assert found.rate_error == pytest.approx(-1e-3, abs=1e-4)
    rate_s = LENGTH_S / math.log(HIGH / LOW)
    spectrum, length, played = transformed(framed(sweep(classic=True)), PLAYED)
    found = loop_reading(spectrum, length, STATED, played)
    assert found is not None
    assert found.phase_deg is not None
    assert (found.phase_deg + math.degrees(2 * math.pi * LOW * rate_s) + 180.0) % 360.0 == pytest.approx(180.0, abs=3.0)


def test_lost_samples_are_a_jump_of_the_delay() -> None:
    y = framed(PLAYED)
    at = round((0.3 + 1.6) * RATE)
    found = by_loop(np.concatenate([y[:at], y[at + 24 :]]))
    assert found is not None
    assert found.key == "slip"


@pytest.mark.parametrize("seed", range(16))
def test_a_sweep_of_another_range_is_no_loss_of_samples(seed: int) -> None:
    """Property, a random draw: the same L from another start, to another stop, or both; nothing is lost."""
    rng = np.random.default_rng([14, seed])
    low, high, rate_s = LOW, HIGH, LENGTH_S / math.log(HIGH / LOW)
    if seed % 3 != 0:
        low *= rng.uniform(1.3, 6.0)
    if seed % 3 != 1:
        high *= rng.uniform(0.15, 0.9)
    y = wire(rng, framed(sweep(low=low, high=high, length_s=rate_s * math.log(high / low))))
    found = by_loop(y)
    assert found is not None
    assert found.key == "ends"
    told = [float(part.split(" = ")[1]) for part in found.fit.replace(" and", ",").split(", ")]
    assert told == pytest.approx([low, high, rate_s * math.log(high / low)], rel=0.1)
    # Without its track the range cannot be told; a loss of samples is still none of its explanations.
    spectrum, length, played = transformed(y, PLAYED)
    reading = loop_reading(spectrum, length, STATED, played)
    assert reading is not None
    assert reading.slip_s == 0.0 or low > LOW


@pytest.mark.parametrize("seed", range(8))
def test_lost_and_doubled_samples_are_told_by_number_and_place(seed: int) -> None:
    """Property, a random draw: 24 to 300 samples at a known place of the stated sweep."""
    rng = np.random.default_rng([15, seed])
    y, lost, share = framed(PLAYED), int(rng.integers(24, 300)), float(rng.uniform(0.62, 0.75))
    at = round((0.3 + share * LENGTH_S) * RATE)
    changed = np.concatenate([y[:at], y[at + lost :]] if seed % 2 else [y[:at], y[at - lost :]])
    found = by_loop(wire(rng, changed))
    assert found is not None
    assert found.key == "slip"
    assert int(found.words.split()[1]) == pytest.approx(lost, rel=0.1, abs=6)


def test_a_number_that_few_bands_say_is_not_told() -> None:
    """Lost just above 300 Hz, the lowest band that is looked at: one band below says little of the size."""
    y = framed(PLAYED)
    at = round((0.3 + 0.46 * LENGTH_S) * RATE)
    found = by_loop(np.concatenate([y[:at], y[at + 100 :]]))
    assert found is not None
    assert found.key == "slip"
    assert found.words.startswith("samples are lost or doubled while the sweep passes about")


def test_a_start_without_fade_is_no_clock() -> None:
    """Its own frequency grows as stated; only the start differs."""
    unfaded = sweep()
    rise = round(0.02 * RATE)
    unfaded[:rise] = np.sin(2 * np.pi * LOW * STATED.law.rate_s * np.exp(np.arange(rise) / RATE / STATED.law.rate_s))
    slow = sweep()
    long = round(0.15 * RATE)
    slow[:long] *= np.sin(np.pi / 2 * np.arange(long) / long) ** 2
    for played in (unfaded, slow):
        found = by_loop(framed(played))
        assert found is None or found.key in ("fade", "start", "ends")
