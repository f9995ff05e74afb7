"""From recordings to impulse responses, spectra and harmonics: random takes, each limit on both sides.

Values are the program's own, frozen. Beside them closed forms: a delayed pulse has a phase ramp, white noise a flat
density, and a polynomial's second harmonic the level that trigonometry gives.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from reduce_worlds import Rig, outcome, recording, said, sounded, swept

from earwitness.dsp.sweep import sweep_law
from earwitness.formats.audio import Recording
from earwitness.quantities import log_axis
from earwitness.reduce.harmonics import (
    HighOrderDistortion,
    _alike,
    _floor_db,
    _floor_during_db,
    _order_db,
    high_order_flags,
    high_orders,
    split_harmonics,
)
from earwitness.reduce.impulse import (
    Division,
    Role,
    TakeImpulse,
    _begin_s,
    _check_length,
    _loudest,
    _peak,
    _Prepared,
    _volts,
    hann,
    loud_witness,
    noise_density,
    nominal_impulse,
    quiet_noise,
    spectrum_at,
    stuck_runs,
    take_impulse,
    take_impulses,
)
from earwitness.reduce.stimulus import Stimulus
from earwitness.session.session import ReferenceChannel
from golden_values import stands

NAME = "reduce/impulse"
Array = npt.NDArray[np.float64]
RIG = Rig()
LAW = sweep_law(RIG.start_hz, RIG.stop_hz, RIG.length_s)
SWEEP = Stimulus(swept(RIG), RIG.rate, LAW, RIG.start_hz, RIG.stop_hz, RIG.lead_s)
AXIS = log_axis(20.0, 7900.0, 6)


def division(stimulus: Stimulus = SWEEP, volts: float | None = None, keep_s: float = 0.1) -> Division:
    return Division(stimulus, ReferenceChannel(channel=2, volts_per_fs=volts), 0.05, AXIS.hz, keep_s)


def test_spectra_at_frequencies() -> None:
    random, told = np.random.default_rng(1), list[Any]()
    hz = np.array([0.0, 20.0, 333.3, 1000.0, 3000.0, 7000.0, 7990.0])
    for count in (100, 1499, 1500, 1501, 4000):
        rows = random.standard_normal((2, count)) * np.exp(-np.arange(count) / 300.0)
        rows[0, 40], rows[1, 700 % count] = 20.0, -30.0
        told.append(spectrum_at(rows, np.array([-0.002, 0.01]), 16_000.0, hz))
    told.append(spectrum_at(rows, np.array([-0.002, 0.01]), 16_000.0, hz[1:3]))
    told.append(spectrum_at(rows, np.array([0.0, 0.0]), 16_000.0, log_axis(15.0, 7950.0, 24).hz))
    told.append(spectrum_at(np.zeros((1, 2000)), np.zeros(1), 16_000.0, log_axis(500.0, 5000.0, 3).hz))
    for size in (800, 3000):
        pulse = np.zeros((1, size))
        pulse[0, 200] = 1.0
        found = spectrum_at(pulse, np.array([-0.01]), 16_000.0, hz[2:5])
        assert found[0] == pytest.approx(np.exp(-2j * np.pi * hz[2:5] * 0.0025), abs=1e-6)
    stands(NAME, "spectra", told, relative=1e-4)


def test_densities() -> None:
    random, told = np.random.default_rng(2), list[Any]()
    noise = random.standard_normal(8000) + 0.5
    hz = np.array([10.0, 100.0, 1000.0, 5000.0, 7999.0])
    for count in (40, 64, 65, 200, 319, 320, 641, 1300, 8000):
        told.append(1e3 * noise_density(noise[:count], 16_000.0, hz))
    assert noise_density(noise, 16_000.0, hz)[1:4].mean() == pytest.approx(1.0 / 16_000.0, rel=0.5)
    told += [hann(5), hann(16)[1]]
    stands(NAME, "densities", told)


def test_runs_that_are_stuck() -> None:
    told: list[Any] = []
    base = 0.3 * np.sin(np.arange(4000) * 0.05)
    for top in (0.5, 0.998, 0.999, 0.9995, 1.0):
        for count in (1, 2, 3, 5):
            for many in (1, 9, 10, 12):
                row = base.copy()
                for k in range(many):
                    row[50 + 200 * k : 50 + 200 * k + count] = top * (1.0 if k % 2 else -1.0)
                told.append(stuck_runs(row, top))
    for off in (0.0, 1e-4, 9e-4, 1.1e-3):
        row = base.copy()
        row[100:103], row[103] = [1.0 - off, 1.0, 1.0 - off], 0.0
        told.append(stuck_runs(row, 1.0))
    for step in (2.0**-15, 2.0**-12, 2.0**-23):
        for jump in (1.0, 1.4, 1.6, 2.0, 3.0):
            row = np.rint(base / step) * step
            for k in range(11):
                row[50 + 200 * k : 54 + 200 * k] = 0.5
                row[49 + 200 * k] = 0.5 - step * jump
            told.append([stuck_runs(row, 0.5), stuck_runs(np.rint(row / step) * step, 0.5)])
    for many in (9, 10, 11):
        row = base.copy()
        row[0:3] = 0.5
        for k in range(1, many):
            row[200 * k : 200 * k + 4] = 0.5
        told.append(stuck_runs(row, 0.5))
    told += [
        stuck_runs(np.ones(2), 1.0),
        stuck_runs(np.ones(3), 1.0),
        stuck_runs(np.ones(7), 1.0),
        stuck_runs(np.zeros(0), 0.0),
    ]
    wave = 0.5 * np.clip(1.02 * np.sin(np.arange(4000) * 0.01), -1.0, 1.0)
    told.append(
        [stuck_runs(wave, 0.5), stuck_runs(np.rint(wave * 200) / 200, 0.5), stuck_runs(wave.astype(np.float32), 0.5)]
    )
    stands(NAME, "stuck", told)


def made(name: str = "t", rig: Rig = RIG, angle: float = 0.0, number: int = 1) -> Recording:
    return recording(rig, name, angle, 1.5, 2.83, number)


LOOP, ALONE = Role("t", "t.wav", 1, 2, 2.83), Role("t", "t.wav", 1, None, 2.83)


def reduced(one: TakeImpulse) -> Any:
    noise = None if one.noise is None else np.log10(one.noise)
    rest = [one.take, one.start_s, one.peak_s, one.peak_fs, one.clipped_runs, one.reference_clipped_runs]
    return [one.samples, noise, *rest, one.witness is None or one.witness.take]


def test_impulses_of_takes() -> None:
    told: list[Any] = []
    for number, rig in enumerate(
        (RIG, replace(RIG, latency_s=0.02, tail_s=0.2), replace(RIG, noise_fs=1e-3, echo_s=0.003))
    ):
        for role in (LOOP, ALONE):
            told.append(reduced(take_impulse(role, made(rig=rig, number=number), division())))
    told.append(reduced(take_impulse(LOOP, made(), division(volts=20.0, keep_s=0.03))))
    told.append(reduced(take_impulse(LOOP, made(), division(replace(SWEEP, law=None)))))
    told.append(reduced(take_impulse(LOOP, made(), Division(SWEEP, None, 0.05, AXIS.hz, 0.1), "plainly")))
    early = made()
    told.append(
        reduced(
            take_impulse(
                LOOP, Recording(np.stack([np.roll(early.samples[0], -150), early.samples[1]]), 16_000, ""), division()
            )
        )
    )
    clipped = Recording(
        np.stack(
            [
                np.clip(4.0 * early.samples[0] / np.abs(early.samples[0]).max(), -1, 1),
                np.clip(9.0 * early.samples[1], -1, 1),
            ]
        ),
        16_000,
        "",
    )
    told.append(reduced(take_impulse(LOOP, clipped, division())))
    several = [(replace(LOOP, take=f"t{k}"), made(angle=20.0 * k, number=k)) for k in range(3)]
    told.append([reduced(one) for one in take_impulses(several, division())])
    mixed = [several[0], (ALONE, made(number=5)), (LOOP, made(rig=replace(RIG, tail_s=0.3)))]
    told.append([reduced(one) for one in take_impulses(mixed, division())])
    told.append(nominal_impulse(LOOP, made(), division())[:4000])
    told.append(loud_witness(LOOP, made(), division()))
    told.append(loud_witness(ALONE, made(), division()))
    stands(NAME, "impulses", told, relative=2e-3, near_zero=1e-6)


def test_takes_that_cannot_be_used() -> None:
    told: list[Any] = []
    good = made()
    for change in (
        Recording(good.samples, 44_100, ""),
        Recording(good.samples[:1], 16_000, ""),
        Recording(good.samples * np.array([[1e-6], [1.0]]), 16_000, ""),
        Recording(good.samples * np.array([[1.0], [1e-4]]), 16_000, ""),
        Recording(good.samples[:, :14_399], 16_000, ""),
        Recording(good.samples[:, :0], 16_000, ""),
        Recording(good.samples * np.nan, 16_000, ""),
        Recording(good.samples * np.array([[1.0], [0.0]]), 16_000, ""),
    ):
        told.append(outcome(lambda one=change: len(take_impulses([(LOOP, one)], division()))))  # type: ignore[misc]
        told.append(outcome(lambda one=change: nominal_impulse(LOOP, one, division()).size))  # type: ignore[misc]
    for peak in (0.0, 9.9e-6, 1e-5, 1.01e-5):
        told.append(outcome(lambda p=peak: _peak(LOOP, np.array([0.0, -p]), "microphone", 1e-5)))  # type: ignore[misc]
    told.append(outcome(lambda: _peak(LOOP, np.array([0.3, -0.7, 0.5]), "x", 1e-5)))
    told += [outcome(lambda n=count: _check_length(LOOP, n, division())) for count in (14_399, 14_400, 20_000)]  # type: ignore[misc]
    tone = np.zeros(22_001, complex)
    told.append(outcome(lambda: _volts(LOOP, tone, 44_000, division())))
    told += [_volts(LOOP, 3.0 * np.abs(np.fft.rfft(SWEEP.samples, n)) + 0j, n, division()) for n in (20_000, 40_000)]
    told.append(
        _volts(LOOP, np.fft.rfft(SWEEP.samples, 20_000), 20_000, division(replace(SWEEP, low_hz=500.0, high_hz=3000.0)))
    )
    stands(NAME, "unusable", told)


def test_silence_before_the_sweep() -> None:
    told: list[Any] = []
    random = np.random.default_rng(3)
    noise = 1e-3 * random.standard_normal(16_000)
    for lead in (0.0, 0.0525, 0.0527, 0.06, 0.12, 0.5):
        for ends in (None, -1.0, 0.0, 0.0526, 0.053, 0.1):
            given = {} if ends is None else {"ends_s": ends}
            found = quiet_noise(noise, division(replace(SWEEP, lead_in_s=lead)), **given)
            told.append(None if found is None else np.log10(found))
    loop = np.zeros(1000, dtype=np.float32)
    for share in (0.025, 0.029, 0.031, 0.05):
        loop[100:200], loop[300], loop[700] = share, 0.5, -1.0
        one = _Prepared(LOOP, loop, loop, 0.5, 0)
        told += [_begin_s(one, 0.7, division()), _begin_s(replace(one, loop=None), 0.7, division())]
    told += [
        _loudest(np.array(row))
        for row in ([0.0, 1.0, -1.0], [0.0, -1.0, 1.0], [0.5, -2.0, 1.0], [3.0, -2.0, 1.0], [1.0, 1.0])
    ]
    shared = division()
    told += [
        shared.outside(4000),
        shared.outside(4001),
        np.abs(shared.nominal(20_000)),
        1e3 * np.abs(shared.inverse(20_000)),
    ]
    told.append(division(replace(SWEEP, high_hz=30_000.0)).outside(4000))
    stands(NAME, "silence", told)


# Harmonics. ----------------------------------------------------------------------------------------------------------


def response(bend: tuple[float, float], seed: int = 1, *, noise: float = 0.0, rig: Rig = RIG) -> Array:
    x = np.concatenate([np.zeros(1600), swept(rig), np.zeros(14_000)])
    heard = sounded(replace(rig, bend=bend), x, 0.0, 1.0, 0.003)
    heard = heard + noise * np.random.default_rng(seed).standard_normal(heard.size)
    stimulus = replace(SWEEP, samples=swept(rig))
    found = nominal_impulse(ALONE, Recording(0.05 * heard[None, :], 16_000, ""), division(stimulus))
    return np.asarray(found)


def test_harmonics() -> None:
    told: list[Any] = []
    names: dict[str, Any] = {"take": "v", "drive_v": 2.0, "distance_m": 1.0, "place": "far-field"}
    density = np.full(len(AXIS), 1e-10) * (100.0 / AXIS.hz)
    for bend, noise in (((0.0, 0.0), 0.0), ((0.05, 0.0), 1e-4), ((0.02, 0.2), 1e-5), ((0.3, 0.1), 1e-3)):
        for given in (None, density):
            for microphone in (None, 0.002 * np.sqrt(AXIS.hz)):
                found = split_harmonics(
                    response(bend, noise=noise), SWEEP, AXIS, given, microphone_db=microphone, **names
                )
                assert found is not None
                rows = np.maximum(found.harmonic_db, -20.0), np.maximum(found.noise_db, -20.0)
                told.append([found.fundamental_db, *rows, found.valid.sum(axis=1), found.take, found.in_series])
    others: dict[str, Any] = {"in_series": False, "driver": "w", "clipped": True, "temperature_c": 21.0}
    told.append(split_harmonics(response((0.1, 0.0)), SWEEP, AXIS, None, **names, **others))
    told.append(split_harmonics(response((0.1, 0.0)), replace(SWEEP, law=None), AXIS, None, **names))
    rumble = response((0.1, 0.0)) + 3e-3 * np.random.default_rng(4).standard_normal(response((0.1, 0.0)).size)
    told.append(np.maximum(split_harmonics(rumble, SWEEP, AXIS, density, **names).noise_db, -20.0))  # type: ignore[union-attr]
    stands(NAME, "harmonics", told, relative=1e-3, near_zero=1e-3)


def test_parts_of_harmonics() -> None:
    random, told = np.random.default_rng(5), list[Any]()
    long_law = sweep_law(20.0, 7500.0, 8.0)
    noise = random.standard_normal(120_000)
    for size in (800, 2000, 9000):
        for rate in (16_000.0, 1900.0):
            told.append(
                _floor_during_db(
                    noise,
                    long_law,
                    np.hanning(size),
                    rate,
                    np.array([5.0, 20.0, 60.0, 500.0, 900.0, 999.0, 1000.0, 1001.0, 3000.0]),
                )
            )
    told.append(_floor_during_db(noise[:9000], long_law, np.hanning(2000), 16_000.0, np.array([50.0])))
    for count in (27_000, 35_000, 36_000, 40_000):
        told.append(_floor_during_db(noise[:count], long_law, np.hanning(2000), 16_000.0, np.array([20.0, 50.0])))
    told.append(_floor_db(None, SWEEP, AXIS.hz * 2, AXIS.hz, 0.1))
    told.append(_floor_db(np.linspace(1e-9, 3e-9, len(AXIS)), SWEEP, AXIS.hz * 2, AXIS.hz, 0.1))
    centered = np.roll(response((0.05, 0.02)), -1600)
    for order in (1, 2, 3):
        told.append(_order_db(centered, LAW, order, 16_000.0, AXIS.hz[:20], None))
        told.append(_order_db(centered, LAW, order, 16_000.0, AXIS.hz[:20], np.linspace(-1.0, 1.0, 20))[0])
    stands(NAME, "parts of harmonics", told, relative=1e-3)


def test_the_second_harmonic_of_a_square() -> None:
    x = np.concatenate([np.zeros(1600), swept(RIG), np.zeros(14_000)])
    found = nominal_impulse(ALONE, Recording(0.05 * (x + 0.02 * x**2)[None, :], 16_000, ""), division())
    names: dict[str, Any] = {"take": "v", "drive_v": 2.0, "distance_m": 1.0, "place": "far-field"}
    split = split_harmonics(found, SWEEP, AXIS, None, **names)
    assert split is not None
    rows = (AXIS.hz > 200.0) & (AXIS.hz < 2000.0)
    # sin^2 = (1 - cos 2) / 2: a hundredth of the fundamental.
    assert (split.harmonic_db[0] - split.fundamental_db)[rows] == pytest.approx(20 * math.log10(0.01), abs=0.5)


def clicking(size: float, seed: int, *, once: bool = False) -> Array:
    x = np.concatenate([np.zeros(1600), swept(RIG), np.zeros(14_000)])
    heard = sounded(RIG, x, 0.0, 1.0, 0.0) + 1e-6 * np.random.default_rng(seed).standard_normal(x.size)
    turns = LAW.start_hz * LAW.rate_s * np.exp(np.arange(RIG.length_s * 16_000) / 16_000 / LAW.rate_s)
    hz = turns / LAW.rate_s
    at = np.flatnonzero((np.diff(np.floor(turns)) > 0) & (hz[1:] > 100.0) & (hz[1:] < 400.0)) + 1700
    for k in at[7:8] if once else at:
        heard[k : k + 3] += size * np.array([1.0, -1.0, 0.5])
    return np.asarray(nominal_impulse(ALONE, Recording(0.05 * heard[None, :], 16_000, ""), division()))


def test_high_orders() -> None:
    told: list[Any] = []
    names: dict[str, Any] = {"take": "v", "drive_v": 2.0}
    played = np.fft.rfft(SWEEP.samples, clicking(0.0, 1).size)
    for seed, size in enumerate((0.0, 2e-4, 2e-3, 2e-2)):
        for once in (False, True):
            found = high_orders(clicking(size, seed, once=once), SWEEP, played=played if once else None, **names)
            told.append([found, said(high_order_flags([found]))])  # type: ignore[list-item]
    slow = sweep_law(30.0, 7500.0, 3.0)
    told.append(high_orders(np.random.default_rng(2).standard_normal(12_000), replace(SWEEP, law=slow), **names))
    for stop in (790.0, 799.0, 801.0, 900.0, 7900.0):
        told.append(high_orders(np.eye(1, 30_000, 900)[0], replace(SWEEP, law=sweep_law(30.0, stop, 0.9)), **names))
    told.append(high_orders(np.zeros(20_000), replace(SWEEP, law=None), **names))
    told.append(high_orders(np.eye(1, 30_000, 900)[0], replace(SWEEP, law=sweep_law(5.0, 7500.0, 0.9)), **names))
    random = np.random.default_rng(3)
    for count in (200, 1400, 1550, 1600, 3000):
        for start in (0.0, 0.2):
            row = random.standard_normal(count)
            told += [_alike(row, LAW, start, 16_000.0), _alike(np.sin(np.arange(count) * 0.3), LAW, start, 16_000.0)]
    told.append(_alike(np.zeros(3000), LAW, 0.2, 16_000.0))
    stands(NAME, "high orders", told, relative=1e-3, near_zero=1e-4)


def test_flags_of_high_orders() -> None:
    told: list[Any] = []
    hz = np.array([30.0, 60.0, 120.0])
    for level in (-50.0, -46.1, -46.0, -45.9, -20.0):
        for noise in (-70.0, -61.1, -60.9, -50.0):
            for alike in (math.nan, 0.4, 0.5, 0.52, 0.9):
                one = HighOrderDistortion(
                    "v", 2.0, hz, np.array([level, level - 1.0, -80.0]), np.full(3, noise), np.full(3, alike)
                )
                told.append([[f.number, f.band_hz] for f in high_order_flags([one])])
    two = HighOrderDistortion(
        "v", 2.0, hz, np.array([-30.0, -20.0, -40.0]), np.full(3, -90.0), np.array([0.9, 0.1, 0.8])
    )
    told.append(said(high_order_flags([two, two])))
    stands(NAME, "flags", told)


def test_witnesses_of_takes_that_are_divided_together() -> None:
    several = [(replace(LOOP, take=f"t{k}"), made(angle=20.0 * k, number=k)) for k in range(3)]
    several[1] = (several[1][0], Recording(several[1][1].samples * np.array([[1.0], [0.5]]), 16_000, ""))
    found = take_impulses(several, division(), "plainly")
    gains = [one.witness.sweep.gain for one in found if one.witness is not None and one.witness.sweep is not None]
    # Each loop-back stands beside its own microphone.
    assert gains[1] == pytest.approx(0.5 * gains[0], rel=1e-3)
    assert gains[2] == pytest.approx(gains[0], rel=1e-3)
    stands(NAME, "together", [one.witness for one in found], relative=2e-3, near_zero=1e-6)
