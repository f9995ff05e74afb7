"""Was the stated sweep played? Readings of wires, microphones and cones, and every branch of the cause.

Values are the program's own, frozen. Beside them closed forms: a sweep of L' divided by one of L leaves a delay
(L' - L) ln f, and samples lost within a sweep leave a step.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import scipy.fft
from reduce_worlds import Rig, outcome, played, said, sounded, swept

from earwitness.dsp.filters import analytic
from earwitness.dsp.sweep import sweep_law
from earwitness.quantities import NearField, log_axis
from earwitness.reduce.doubt.stimulus import (
    Cause,
    ConePhase,
    SweepReading,
    Track,
    _apart_deg,
    _arrivals_s,
    _centers,
    _clocks,
    _divided,
    _edges,
    _fit,
    _fitted,
    _least_rad,
    _line,
    _other_ends,
    _other_fade,
    _other_rate,
    _passed,
    _phase_deg,
    _rate_s,
    _rounded,
    _third_octave_rms,
    cause_of,
    cone_phase,
    cone_phase_flags,
    loop_reading,
    microphone_reading,
    track_of,
)
from earwitness.reduce.stimulus import Stimulus
from golden_values import stands

NAME = "reduce/doubt_stimulus"
Array = npt.NDArray[np.float64]
RIG = Rig()
RATE = RIG.rate
LAW = sweep_law(RIG.start_hz, RIG.stop_hz, RIG.length_s)
STATED = Stimulus(swept(RIG), RATE, LAW, RIG.start_hz, RIG.stop_hz, RIG.lead_s)
CLASSIC = replace(STATED, law=sweep_law(RIG.start_hz, RIG.stop_hz, RIG.length_s, synchronized=False))
FILE = replace(STATED, law=None)
WORLDS: dict[str, Rig] = {
    "right": RIG,
    "classic": replace(RIG, classic=True),
    "stops early": replace(RIG, stop_hz=6000.0),
    "starts late": replace(RIG, start_hz=45.0),
    "short": replace(RIG, length_s=0.8),
    "a little short": replace(RIG, length_s=0.8985),
    "short range": replace(RIG, start_hz=60.0, length_s=RIG.length_s - LAW.rate_s * math.log(2.0)),
    "half": replace(RIG, stop_hz=1500.0, length_s=LAW.rate_s * math.log(50.0)),
}


def wire(rig: Rig, seed: int) -> Array:
    x = played(rig)
    x = np.concatenate([x, np.zeros(max(round(1.4 * RATE) - x.size, 0))])
    return np.asarray(0.4 * np.roll(x, 64) + 1e-5 * np.random.default_rng(seed).standard_normal(x.size))


def lost(y: Array, at_s: float, count: int) -> Array:
    k = round(at_s * RATE)
    return np.concatenate([y[:k], y[k + count :], np.zeros(count)]) if count > 0 else np.insert(y, k, y[k : k - count])


def transformed(y: Array, stimulus: Stimulus = STATED) -> tuple[Any, int, Any]:
    length = scipy.fft.next_fast_len(y.size, True)
    return scipy.fft.rfft(y, length), length, scipy.fft.rfft(stimulus.samples, length)


def by_loop(y: Array, stimulus: Stimulus = STATED) -> Any:
    spectrum, length, sent = transformed(y, stimulus)
    found, track = loop_reading(spectrum, length, stimulus, sent), track_of(y, RATE)
    return [found, track, None if found is None else [cause_of(found, stimulus, track), cause_of(found, stimulus)]]


@pytest.mark.parametrize("name", WORLDS)
def test_wires_of_other_sweeps(name: str) -> None:
    y = wire(WORLDS[name], 3)
    stands(NAME, f"wire, {name}", [by_loop(y), by_loop(-y, CLASSIC), by_loop(y, FILE)], relative=1e-3, near_zero=1e-7)


def test_wires_that_lost_samples() -> None:
    told: list[Any] = []
    for at, count in ((0.4, 20), (0.6, 3), (0.7, -40), (0.75, 200), (0.9, 12)):
        told.append(by_loop(lost(wire(RIG, 4), at, count)))
    line = np.sin(2 * np.pi * (30.0 + 4000.0 * np.arange(14_400) / RATE / 0.9) * np.arange(14_400) / RATE)
    told.append(by_loop(np.concatenate([np.zeros(1920), line, np.zeros(5600)])))
    # Another clock: by the Fourier series.
    from scipy.signal import resample

    for ratio in (44_100 / 48_000, 1.002, 1.0004):
        told.append(by_loop(np.asarray(resample(wire(RIG, 5), round(22_400 * ratio)))))
    stands(NAME, "lost and stretched", told, relative=1e-3, near_zero=1e-7)


@pytest.mark.parametrize("name", ["right", "stops early", "starts late", "short", "a little short"])
def test_microphones(name: str) -> None:
    rig, told = WORLDS[name], list[Any]()
    for seed in (1, 2):
        y = sounded(replace(rig, echo_s=0.004 if seed == 2 else None), played(rig), 20.0 * seed, 1.5, 0.003)
        y = y + 1e-4 * np.random.default_rng(seed).standard_normal(y.size)
        spectrum, length, sent = transformed(y)
        found = microphone_reading(spectrum, length, STATED, sent)
        told.append([found, None if found is None else cause_of(found, STATED)])
    dull = np.convolve(y, np.hanning(60) / 30.0)[: y.size]
    spectrum, length, sent = transformed(dull)
    told.append(microphone_reading(spectrum, length, STATED, sent))
    stands(NAME, f"microphone, {name}", told, relative=1e-3, near_zero=1e-7)


def test_bands() -> None:
    told: list[Any] = []
    for low, high, rate in (
        (30.0, 7500.0, 16_000),
        (75.0, 7500.0, 16_000),
        (76.0, 7500.0, 16_000),
        (20.0, 3839.0, 48_000),
        (20.0, 3841.0, 48_000),
        (20.0, 20_000.0, 48_000),
        (200.0, 10_300.0, 48_000),
    ):
        told.append(_centers(replace(STATED, low_hz=low, high_hz=high, rate_hz=rate)))
    told += [_rate_s(STATED), _rate_s(FILE)]
    centers = _centers(STATED)
    assert centers is not None
    told.append(_edges(12_000, 0.7, centers))
    random = np.random.default_rng(3)
    for low, high, size in (
        (0.0, 8000.0, 0.5),
        (900.0, 8000.0, 0.38),
        (900.0, 8000.0, 0.42),
        (0.0, 2500.0, 0.1),
        (0.0, 700.0, 0.0),
    ):
        hz = np.arange(12_001) * 0.7
        left = np.where((hz > low) & (hz < high), 1.0, size) * np.exp(2j * np.pi * random.uniform(size=hz.size))
        told.append(_passed(left, 0.7, centers, STATED))
        told.append(_passed(left, 0.7, centers, replace(STATED, low_hz=20.0, high_hz=7900.0)))
    told.append([_third_octave_rms(np.abs(random.standard_normal(300))), _third_octave_rms(np.arange(40.0))])
    spectrum = random.standard_normal(50) + 1j * random.standard_normal(50)
    told.append([_divided(spectrum, spectrum[::-1]), _divided(spectrum, np.arange(50.0) + 0j)])
    told.append([analytic(random.standard_normal(77)), analytic(np.cos(np.arange(64) * np.pi / 8))])
    hz = np.arange(8001) * 1.0
    for delay in (0.0, 0.01, 0.31):
        response = np.exp(-2j * np.pi * hz * delay) / (1.0 + 1j * hz / 900.0)
        told.append(_arrivals_s(response, 16_000.0, centers))
    for phase in (0.0, 1.0, -2.5, 3.1):
        told.append(
            _phase_deg(
                np.exp(1j * phase - 2j * np.pi * hz * 2e-3) * (1 + 0.1 * random.standard_normal(8001)), 1.0, 2e-3
            )
        )
        told.append(_phase_deg(np.exp(1j * phase - 2j * np.pi * hz * 2.01e-3), 1.0, 2e-3))
    told.append([_apart_deg(a) for a in (-270.0, -180.0, -100.0, -90.0, -10.0, 0.0, 45.0, 90.0, 91.0, 179.0, 200.0)])
    stands(NAME, "bands", told, relative=1e-4)


def test_a_phase_and_a_delay_are_told_apart() -> None:
    hz = np.arange(8001) * 1.0
    assert _phase_deg(np.exp(0.7j - 2j * np.pi * hz * 2e-3), 1.0, 2e-3) == pytest.approx(math.degrees(0.7), abs=1e-6)


def test_lines_and_jumps() -> None:
    random, told = np.random.default_rng(6), list[Any]()
    centers = np.geomspace(300.0, 4500.0, 16)
    x = np.log(centers / 1000.0)
    for slope in (0.0, 1e-4, -3e-3):
        for noise in (1e-7, 2e-5, 1e-4):
            delay = slope * x + noise * random.standard_normal(16)
            told.append([_line(x, delay), _fitted(centers, delay, 0.16)])
            odd = delay.copy()
            odd[5] += 3e-3
            told.append(_line(x, odd))
    for row in (1, 2, 3, 4, 8, 12, 13, 14, 15):
        for jump in (0.9e-4, 1.05e-4, 2e-4, -1e-3, 2e-2):
            delay = jump * (np.arange(16) >= row) + 3e-6 * random.standard_normal(16)
            told.append(_fitted(centers, delay, 0.16))
    for slope in (2.2e-4, 2.6e-4, 1e-3, 5e-3):
        for jump in (1e-3, 4e-3, 2e-2):
            delay = jump * (np.arange(16) >= 8) + slope * x + 3e-6 * random.standard_normal(16)
            told.append(_fitted(centers, delay, 0.16))
    for size in (4e-5, 1e-4, 1.2e-4, 1.4e-4, 2e-4):
        told.append(_fitted(centers, size * np.sin(np.arange(16) * 1.3), 0.16))
        told.append(_fitted(centers, 1e-3 * (np.arange(16) >= 8) + size * 0.7 * np.sin(np.arange(16) * 1.3), 0.16))
    stands(NAME, "jumps", told, relative=1e-4)


@cache
def tracks() -> list[Any]:
    told: list[Any] = []
    for low, high, length in ((30.0, 7500.0, 0.9), (300.0, 3000.0, 0.3), (60.0, 800.0, 1.2)):
        law = Rig(start_hz=low, stop_hz=high, length_s=length)
        told += [track_of(swept(law), RATE), track_of(played(law), RATE)]
    told.append(track_of(np.zeros(4000), RATE))
    told.append(track_of(swept(RIG)[::-1].copy(), RATE))
    told.append(track_of(np.random.default_rng(1).standard_normal(16_000), RATE))
    for count in (1000, 1500, 1600, 1650, 1700, 2000):
        told.append(track_of(swept(Rig(start_hz=400.0, stop_hz=2000.0, length_s=count / RATE)), RATE))
    for bend in (0.0, 0.5, 1.0):
        time = np.arange(16_000) / RATE
        hz = (1.0 - bend) * 200.0 * np.exp(time * 2.0) + bend * (200.0 + 1200.0 * time)
        told.append(track_of(np.sin(2 * np.pi * np.cumsum(hz) / RATE), RATE))
    told.append(track_of(np.sin(np.arange(16_000) * 0.0018), RATE))
    return told


def test_tracks_of_frequencies() -> None:
    stands(NAME, "tracks", tracks(), relative=1e-4)


def reading(**changes: Any) -> SweepReading:
    given: dict[str, Any] = {
        "rate_error": 0.0,
        "residual_s": 1e-6,
        "slip_s": 0.0,
        "slip_hz": 0.0,
        "phase_deg": None,
        "loop": True,
        "gain": 0.4,
    }
    return SweepReading(**(given | changes))


@cache
def stated_track() -> Track:
    found = track_of(STATED.samples, RATE)
    assert found is not None
    return found


def test_causes_of_readings() -> None:
    told: list[Any] = []
    own = stated_track()
    for rate in (
        0.0,
        1.9e-4,
        2.1e-4,
        4.9e-4,
        5.1e-4,
        1.45e-3,
        1.55e-3,
        2.9e-3,
        3.1e-3,
        0.01,
        0.0813,
        -0.05,
        -0.0885,
        0.5,
        -1.0,
    ):
        for loop in (True, False):
            for stimulus in (STATED, FILE):
                told.append(cause_of(reading(rate_error=rate, loop=loop), stimulus))
        told.append(cause_of(reading(rate_error=rate), STATED, own))
    for left in (0.9e-4, 1.1e-4, 2.9e-3, 3.1e-3):
        for loop in (True, False):
            told += [cause_of(reading(residual_s=left, loop=loop), one) for one in (STATED, FILE)]
    for slope in (4.7e-3, 4.9e-3, 5.1e-3, 5.3e-3):
        told.append(cause_of(reading(rate_error=slope, loop=False), STATED))
    turn = math.degrees(2 * math.pi * LAW.start_hz * LAW.rate_s)
    for off in (-11.0, -9.0, 0.0, 9.0, 11.0, 180.0):
        for rate in (0.0, 2.9e-5, 3.1e-5):
            for sign, stimulus in ((-1.0, CLASSIC), (1.0, STATED), (1.0, CLASSIC), (-1.0, STATED)):
                told.append(cause_of(reading(phase_deg=sign * turn + off, rate_error=rate), stimulus))
    for share in (0.0, 0.05, 0.06, 0.25, 0.5):
        other = replace(STATED, law=replace(LAW, rate_s=share / LAW.start_hz + 3.0 / LAW.start_hz))
        told.append(cause_of(reading(phase_deg=-360.0 * share), other))
    for slip in (1e-3, -2e-3):
        for is_told in (True, False):
            told.append(cause_of(reading(slip_s=slip, slip_hz=900.0, slip_is_told=is_told), STATED, own))
    told.append(cause_of(reading(), STATED, replace(own, linear=True)))
    told.append(cause_of(reading(slip_s=0.03), STATED, replace(own, start_hz=1.4 * own.start_hz)))
    stands(NAME, "causes", told)


def test_other_ends_fades_and_rates() -> None:
    told: list[Any] = []
    own = stated_track()
    for start in (0.5, 0.86, 0.88, 1.0, 1.14, 1.16, 1.4, 1.46):
        for stop in (0.96, 0.972, 1.0, 1.029, 1.031, 1.2):
            for moved in (1.0, 1.26):
                one = replace(own, start_hz=start * own.start_hz, stop_hz=stop * own.stop_hz)
                told.append(_other_ends(STATED, one, moved))
    for rate in (0.9979, 0.9981, 1.0019, 1.0021):
        told.append(_other_ends(STATED, replace(own, rate_s=rate * own.rate_s, stop_hz=3000.0), 1.0))
    told += [
        _other_ends(STATED, None, 1.0),
        _other_ends(FILE, own, 1.0),
        _other_ends(STATED, replace(own, linear=True, stop_hz=3e3), 1.0),
    ]
    for start in (0.6, 0.67, 0.95, 0.979, 0.982, 1.0, 1.019, 1.021, 1.3, 1.49, 1.51):
        for rate in (-6e-4, 0.0, 4e-4, 6e-4):
            told.append(_other_fade(reading(rate_error=rate), STATED, replace(own, start_hz=start * own.start_hz)))
        told.append(_other_fade(reading(residual_s=1.1e-4), STATED, replace(own, start_hz=start * own.start_hz)))
        told.append(_other_fade(reading(residual_s=0.9e-4), STATED, replace(own, start_hz=start * own.start_hz)))
    for rate in (0.9997, 0.99985, 1.00015, 1.0003):
        one = replace(own, start_hz=1.2 * own.start_hz, rate_s=rate * own.rate_s)
        told.append(_other_fade(reading(rate_error=1e-3), STATED, one))
    told.append(_other_fade(reading(rate_error=1e-3), STATED, None))
    for ratio in (0.5, 0.9, 44_100 / 48_000, 0.92, 0.9985, 1.0015, 1.0029, 1.0031, 1.05, 48_000 / 44_100, 1.3, 2.0):
        told.append(_other_rate(ratio, LAW, STATED, None))
        told.append(_other_rate(ratio, LAW, replace(STATED, rate_hz=20_000), None))
        told.append(_other_rate(ratio, LAW, FILE, own))
        longer = replace(own, duration_s=ratio * own.duration_s)
        high = LAW.start_hz * math.exp(LAW.duration_s / (ratio * LAW.rate_s))
        low = LAW.stop_hz * math.exp(-LAW.duration_s / (ratio * LAW.rate_s))
        sampled = replace(longer, start_hz=own.start_hz / ratio, stop_hz=min(own.stop_hz / ratio, 0.47 * RATE))
        for one in (
            longer,
            replace(own, stop_hz=high),
            replace(own, start_hz=low),
            sampled,
            own,
            replace(own, duration_s=0.7),
        ):
            told.append(_other_rate(ratio, LAW, STATED, one))
    told += [_clocks(1.0003), _clocks(0.9996), *(_rounded(v) for v in (0.12345, 1234.5, 2.0, 99.96))]
    told.append(outcome(lambda: Cause("a", "b", "c")))
    stands(NAME, "ends and rates", told)


AXIS = log_axis(20.0, 20_000.0, 24)


def cone(
    seed: int,
    *,
    turn_deg: float = 0.0,
    drift_s: float = 0.0,
    low: float = 25.0,
    high: float = 1200.0,
    noise: float = 0.0,
) -> NearField:
    random, hz = np.random.default_rng(seed), AXIS.hz
    s = 1j * hz / random.uniform(45.0, 80.0)
    h = s**2 / (s**2 + random.uniform(0.7, 1.6) * s + 1.0) / (1.0 + 1j * hz / random.uniform(1500.0, 4000.0))
    phase = (
        np.unwrap(np.angle(h)) + math.radians(turn_deg) - 2 * np.pi * hz * (1e-3 + drift_s * (np.log(hz / high) - 1.0))
    )
    phase = phase + noise * random.standard_normal(hz.size)
    return NearField(f"w{seed}", AXIS, 20 * np.log10(np.abs(h)) - 20.0, phase, low, high)


def test_phases_of_cones() -> None:
    told: list[Any] = []
    for seed in range(4):
        for turn, drift in (
            (0.0, 0.0),
            (17.0, 0.0),
            (60.0, 0.0),
            (-80.0, 0.0),
            (0.0, 1e-4),
            (0.0, -4e-4),
            (170.0, 0.0),
        ):
            told.append(cone_phase(cone(seed, turn_deg=turn, drift_s=drift, noise=0.01 * seed)))
    for low, high in (
        (10.0, 1600.0),
        (100.0, 560.0),
        (100.0, 570.0),
        (200.0, 1100.0),
        (200.0, 1200.0),
        (36.0, 5000.0),
        (900.0, 400.0),
    ):
        told.append(cone_phase(cone(1, low=low, high=high)))
    told.append(_least_rad(cone(2), 1000.0)[:6000:50])
    told.append(_least_rad(replace(cone(2), level_db=40.0 * np.log2(AXIS.hz)), 600.0)[:3000:50])
    told.append(_least_rad(replace(cone(2), level_db=-3.0 * np.log2(AXIS.hz)), 600.0)[:3000:50])
    told.append(_fit([np.ones(5), np.arange(5.0)], np.array([1.0, 3.1, 4.9, 7.0, 9.0])))
    stands(NAME, "cones", told, relative=1e-3, near_zero=1e-7)


def test_flags_of_cones() -> None:
    told: list[Any] = []
    for turn in (-46.0, -44.0, -19.0, -17.0, 17.0, 19.0, 46.0, 85.0):
        for synchronized in (True, False):
            law = replace(LAW, synchronized=synchronized)
            told.append(said(cone_phase_flags([cone(1, turn_deg=turn), cone(2, turn_deg=turn, noise=0.05)], law)))
    for drift in (-3e-4, -1.2e-4, -1.1e-4, 1.1e-4, 1.2e-4, 3e-4):
        told.append(said(cone_phase_flags([cone(1, drift_s=drift)], LAW)))
    for noise in (0.06, 0.07, 0.08, 0.09, 0.1):
        told.append(said(cone_phase_flags([cone(3, turn_deg=50.0, noise=noise)], LAW)))
    told += [said(cone_phase_flags([], LAW)), said(cone_phase_flags([cone(1, turn_deg=60.0)], None))]
    told.append(ConePhase("w", 10.0, 0.0, 3.0, 2.0).left_deg)
    stands(NAME, "flags of cones", told, relative=1e-3, near_zero=1e-6)
