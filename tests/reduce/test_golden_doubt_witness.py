"""What recordings say of themselves: damage, hiss, another sweep than stated, and the flags that follow.

Values are the program's own, frozen. Beside them closed cases: density of white noise, and the moment of a click.
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

from earwitness.dsp.sweep import SweepLaw, sweep_law
from earwitness.reduce.doubt.damage import (
    LIMITS,
    DamageReading,
    _below_track,
    _first_sound,
    _octave_below,
    _Place,
    _tools,
    _whole,
    damage_of,
)
from earwitness.reduce.doubt.recordings import (
    Hiss,
    Witness,
    _alike,
    _both,
    _elsewhere,
    _near,
    _usual,
    causes_of,
    damage_flags,
    density_db,
    hiss_of,
    is_another_sweep,
    refuse_unknown_sweep,
    riding_flags,
    sweep_flags,
    turned_gain_flags,
    without_damaged,
    witness_of,
)
from earwitness.reduce.doubt.stimulus import Cause, SweepReading, Track
from earwitness.reduce.flags import flag
from earwitness.reduce.stimulus import Stimulus
from golden_values import stands

NAME = "reduce/doubt_witness"
Array = npt.NDArray[np.float64]
RIG = Rig()
RATE = RIG.rate
LAW = sweep_law(RIG.start_hz, RIG.stop_hz, RIG.length_s)
STATED = Stimulus(swept(RIG), RATE, LAW, RIG.start_hz, RIG.stop_hz, RIG.lead_s)


@cache
def heard(seed: int, *, wire: bool = False) -> Array:
    random = np.random.default_rng(seed)
    x = played(RIG)
    y = 0.3 * np.roll(x, 60) if wire else sounded(RIG, x, 10.0 * seed, 1.5, 0.004)
    size = float(np.sqrt(np.mean(y**2)))
    return np.asarray(y + (1e-5 if wire else 1e-3) * size * random.standard_normal(y.size))


def reading(y: Array, *, loop: bool = False, stimulus: Stimulus = STATED) -> DamageReading | None:
    length = scipy.fft.next_fast_len(y.size, True)
    return damage_of(
        scipy.fft.rfft(y, length), y, length, stimulus, scipy.fft.rfft(stimulus.samples, length), loop=loop
    )


def spoiled(y: Array, kind: str, at_s: float, size: float) -> Array:
    y, k = y.copy(), round(at_s * RATE)
    level = float(np.sqrt(np.mean(y**2))) * size
    if kind == "gap":
        y[k : k + round(100 * size)] = 0.0
    elif kind == "lost":
        y = np.concatenate([y[:k], y[k + round(20 * size) :], np.zeros(round(20 * size))])
    elif kind == "click":
        y[k : k + 3] += level * np.array([1.0, -0.7, 0.3])
    else:
        y[k : k + 1600] += level * np.random.default_rng(k).standard_normal(1600) * np.exp(-np.arange(1600) / 500.0)
    return y


@pytest.mark.parametrize("loop", [False, True])
def test_damage_of_recordings(loop: bool) -> None:
    told: list[Any] = [reading(heard(1, wire=loop), loop=loop), reading(heard(2, wire=loop), loop=loop)]
    for number, kind in enumerate(("gap", "lost", "click", "slam")):
        for at in (0.28, 0.5, 0.75, 0.95):
            told.append(reading(spoiled(heard(number, wire=loop), kind, at, 0.3 + number), loop=loop))
    told.append(reading(np.roll(heard(3, wire=loop), -2400), loop=loop))
    stands(NAME, f"damage, loop {loop}", told, relative=1e-3, near_zero=1e-6)


def test_a_click_is_found_where_it_was() -> None:
    found = reading(spoiled(heard(1), "click", 0.83, 9.0))
    assert found is not None
    assert found.is_odd()
    assert found.at_s == pytest.approx(0.83, abs=0.01)
    # The sweep begins when its sound has gone through wire and air: 120 ms of silence, 4 ms, 1.5 m.
    assert found.begins_s == pytest.approx(0.12 + 0.004 + 1.5 / 343.2, abs=5e-4)
    since = 0.83 - found.begins_s
    assert found.frequency_hz == pytest.approx(30.0 * math.exp(since / LAW.rate_s), rel=0.03)


def test_which_sweeps_are_long_enough() -> None:
    told: list[Any] = []
    for length in (0.55, 0.599, 0.601, 0.65, 0.7):
        rig = replace(RIG, length_s=length)
        law = sweep_law(30.0, 7500.0, length)
        stimulus = Stimulus(swept(rig), RATE, law, 30.0, 7500.0, 0.12)
        told.append(reading(sounded(rig, played(rig), 0.0, 1.0, 0.0), stimulus=stimulus))
    told.append(reading(heard(1), stimulus=replace(STATED, law=None)))
    stands(NAME, "lengths", told, relative=1e-3, near_zero=1e-6)


def test_readings_at_their_limits() -> None:
    told: list[Any] = []
    calm = DamageReading(1.0, 1.0, -60.0, 1.0, 500.0, 1.0, 500.0, 0.1)
    for below in (4.1, 4.2, 4.25, 6.9, 7.0, 7.1, 9.9, 10.0, 10.1):
        for whole in (9.9, 10.0, 10.1, 14.9, 15.0, 15.1):
            for share in (-22.1, -22.0, -21.9):
                one = replace(calm, below_track=below, whole=whole, share_db=share)
                told.append([one.is_damage(), one.is_odd(), one.is_damaged_loop()])
    stands(NAME, "limits", told)


def test_parts_of_the_search_for_damage() -> None:
    random, told = np.random.default_rng(2), list[Any]()
    for length, orders in ((20_000, 5), (24_000, 8)):
        one = _tools(LAW, float(RATE), length, orders)
        told.append([np.flatnonzero(np.diff(one.window)), one.weight, one.first, one.last])
    told.append(_tools(SweepLaw(100.0, 7900.0, 0.1), 16_000.0, 20_000, 3).weight)
    for top in (60.0, 240.0, 3840.0):
        told.append(_octave_below(top, 0.73))
    impulse = 0.01 * random.standard_normal(3000)
    for at_row in (5, 100, 1500, 2990):
        for share in (0.18, 0.195, 0.205, 0.5, -0.3):
            row = impulse.copy()
            row[at_row], row[(at_row - 40) % 3000], row[(at_row - 120) % 3000] = 1.0, share, 0.3
            told.append(_first_sound(row, 100))
            told.append(_first_sound(-row, 50))
    place = _Place(LAW, float(RATE), 0.13, 22_000)
    at = np.linspace(0.0, 1.6, 81)
    told.append([place.tracks_hz(at), place.looked_at(at).tolist(), place.track_hz(0.7), place.passes_s(777.0)])
    told.append(
        _Place(LAW, float(RATE), 0.0, 9000).looked_at(np.array([0.19, 0.2, 0.21, 0.55, 0.5625, 0.57, 0.87, 0.89]))
    )
    for seed in range(4):
        rest = (random.standard_normal(12_001) + 1j * random.standard_normal(12_001)).astype(np.complex128)
        rest *= np.exp(1j * np.arange(12_001) * 2 * np.pi * (0.5 + 0.1 * seed) * RATE / 24_000 * (seed > 1))
        for least in (1e-6, 0.02):
            told.append(_below_track(rest, 24_000, place, least))
    late = _Place(sweep_law(60.0, 4000.0, 0.9), float(RATE), 0.2, 24_000)
    told.append(_below_track(rest, 24_000, late, 1e-6))
    for seed in range(5):
        samples = random.standard_normal(22_000)
        rest_s = 0.01 * random.standard_normal(22_000)
        first = 6000 + 2500 * seed
        rest_s[first : first + (200, 1600)[seed % 2]] *= 30.0
        for least in (1e-6, 0.05):
            told.append(_whole(rest_s, samples, place, least))
    told.append(_whole(np.zeros(3000), np.zeros(3000), place, 1e-9))
    told.append(_whole(rest_s, samples, _Place(sweep_law(30.0, 7500.0, 3.0), float(RATE), -1.0, 22_000), 1e-6))
    stands(NAME, "parts", told, relative=1e-4)


# Hiss. ---------------------------------------------------------------------------------------------------------------

HIGH = 48_000


def test_density_of_white_noise_and_where_there_is_none() -> None:
    random, told = np.random.default_rng(5), list[Any]()
    noise = 1e-3 * random.standard_normal(48_000)
    # One-sided, white noise of variance s^2 has s^2 / (rate / 2) per hertz; the two-sided density is half of it.
    assert density_db(noise, HIGH) == pytest.approx(10 * math.log10(1e-6 / HIGH), abs=0.3)
    for count in (3000, 4799, 4800, 4801, 9600):
        told.append(density_db(noise[:count], HIGH))
    for rate in (32_000.0, 35_500.0, 35_600.0, 44_100.0, 96_000.0):
        told.append(density_db(noise, rate))
    told.append(density_db(np.zeros(9600), HIGH))
    law = sweep_law(20.0, 20_000.0, 1.2)
    for begins in (0.05, 0.13, 0.16, 0.3):
        told.append(hiss_of(np.concatenate([noise * 0.1, noise, noise[:9000]]), HIGH, law, begins))
    told.append(hiss_of(noise[:20_000], HIGH, law, 0.3))
    stands(NAME, "density", told)


def test_gains_that_ride_or_were_turned() -> None:
    told: list[Any] = []
    for fall in (0.0, 1.4, 1.5, 1.6, 6.0, -4.0):
        for count in (0, 1, 2, 3, 4):
            rows = [(f"t{k}", Hiss(-120.0, -120.0 - (fall + 0.1 * k if k < count else 0.0))) for k in range(4)]
            told.append(said(riding_flags(rows)))
    told.append(said(riding_flags([])))
    for apart in (-9.0, -3.1, -3.0, -2.9, 0.0, 3.9, 4.0, 4.1, 12.0):
        rows = [("a", Hiss(-110.0, 0.0)), ("b", Hiss(-112.0, 0.0)), ("c", Hiss(-109.0, 0.0))]
        told.append(said(turned_gain_flags(-110.0 - apart, rows)))
    told += [said(turned_gain_flags(None, rows)), said(turned_gain_flags(-90.0, []))]
    stands(NAME, "gains", told)


# What witnesses say together. ----------------------------------------------------------------------------------------

TRACK = Track(LAW.rate_s, 30.0, 7500.0, 0.9, False)
RIGHT = SweepReading(0.0, 1e-6, 0.0, 0.0, None, True, 0.5)


def test_witnesses_of_takes() -> None:
    told: list[Any] = []
    y, wire = heard(2), heard(4, wire=True)
    length = scipy.fft.next_fast_len(y.size, True)
    sent = scipy.fft.rfft(STATED.samples, length)
    channel, loop = (scipy.fft.rfft(y, length), y), (scipy.fft.rfft(wire, length), wire)
    for stimulus in (STATED, replace(STATED, law=None)):
        for look in ("plainly", "closely"):
            for back in (None, loop):
                told.append(witness_of("t", stimulus, sent, channel, back, length=length, look=look))
    stands(NAME, "witnesses", told, relative=1e-3, near_zero=1e-6)


def test_causes_by_take() -> None:
    told: list[Any] = []
    other = replace(STATED, samples=STATED.samples.copy())
    stimuli = dict.fromkeys("abcd", STATED) | {"o": other, "p": other}
    wrong = replace(RIGHT, rate_error=0.1)
    close = replace(RIGHT, rate_error=0.10015)
    off = replace(RIGHT, rate_error=0.1003)

    def one(name: str, sweep: SweepReading | None, track: Track | None = None) -> Witness:
        return Witness(name, sweep, track, None, None, None)

    short = Track(LAW.rate_s * 0.9, 30.0, 7500.0, 0.81, False)
    for rows in (
        [one("a", wrong, short), one("b", wrong), one("c", close), one("d", off)],
        [one("a", wrong), one("b", wrong)],
        [one("a", wrong, short), one("o", wrong), one("p", RIGHT)],
        [one("a", wrong, short), one("o", wrong, TRACK), one("p", wrong)],
        [one("a", RIGHT, TRACK), one("b", None), one("c", RIGHT)],
        [one("a", None, TRACK), one("b", wrong)],
    ):
        told.append(causes_of(rows, stimuli))
    told += [_alike(0.0, x) for x in (0.0, 1.9e-4, 2.1e-4, -1.9e-4, -2.1e-4)]
    told += [
        is_another_sweep(None),
        *(is_another_sweep(Cause(key, "", "")) for key in ("form", "clock", "slip", "stop")),
    ]
    stands(NAME, "causes", told)


def test_flags_of_other_sweeps() -> None:
    told: list[Any] = []
    keys = {"a": "form", "b": "clock", "c": "stop", "d": "stop", "l": "stop", "m": "length", "s": "slip"}
    causes = {name: Cause(key, f"{key} words", f"{key} fit" if key != "clock" else "") for name, key in keys.items()}
    told.append(said(sweep_flags(causes, frozenset("lm"))))
    told.append(said(sweep_flags(causes, frozenset())))
    told.append(said(sweep_flags({"a": causes["s"], "b": causes["c"]}, frozenset("ab"))))

    def refused(count: int, bad: int, *, loop: bool = False) -> Any:
        rows = [Witness(f"t{k}", replace(RIGHT, loop=loop), None, None, None, None) for k in range(count)]
        rows.append(Witness("none", None, None, None, None, None))
        found = {
            f"t{k}": Cause("stop", "stops early", "x = 1" if k % 2 == 0 else "") for k in range(count - bad, count)
        }
        found["t0"] = found.get("t0", Cause("form", "classic", "y"))
        files = {f"t{k}": f"t{k}.wav" for k in range(count)}
        return outcome(lambda: refuse_unknown_sweep(rows, found, files))

    told += (
        [refused(4, bad) for bad in (0, 1, 2, 3, 4)] + [refused(5, bad) for bad in (2, 3)] + [refused(4, 4, loop=True)]
    )
    stands(NAME, "other sweeps", told)


CALM = DamageReading(1.0, 1.0, -60.0, 1.1, 500.0, 1.2, 800.0, 0.1)
BAD = replace(CALM, below_track=20.0, share_db=-30.0)
ODD = replace(CALM, whole=11.0)


def test_flags_of_damage() -> None:
    told: list[Any] = []

    def one(name: str, microphone: DamageReading | None, loop: DamageReading | None = None) -> Witness:
        return Witness(name, RIGHT, None, microphone, loop, None)

    slip, form, stop = (Cause(key, f"{key} words", "") for key in ("slip", "form", "stop"))
    worlds: list[tuple[list[Witness], dict[str, Cause]]] = [
        ([one("a", BAD), one("b", CALM)], {}),
        ([one("a", ODD), one("b", CALM)], {}),
        ([one("a", ODD), one("b", ODD)], {}),
        ([one("a", ODD), one("b", replace(ODD, whole_hz=830.0))], {}),
        ([one("a", ODD), one("b", replace(ODD, whole_hz=850.0))], {}),
        ([one("a", ODD), one("n", ODD)], {}),
        ([one("n", ODD), one("a", None), one("b", BAD)], {}),
        ([one("a", CALM, replace(BAD, below_track=12.0)), one("b", CALM, CALM)], {}),
        ([one("a", BAD, replace(BAD, below_track=12.0)), one("b", ODD, BAD)], {}),
        ([one(name, CALM, BAD) for name in "abc"], {}),
        ([one(name, CALM, BAD) for name in "ab"], {}),
        ([one(name, CALM, BAD) for name in "abc"] + [one(name, CALM, CALM) for name in "def"], {}),
        ([one(name, CALM, BAD) for name in "abcd"] + [one(name, CALM, CALM) for name in "ef"], {}),
        ([one("a", BAD, BAD), one("b", BAD), one("c", BAD)], {"a": slip, "b": stop, "c": form}),
        ([one("a", CALM, CALM), one("b", BAD)], {"a": slip, "b": slip}),
    ]
    for witnesses, causes in worlds:
        told.append(said(damage_flags(witnesses, causes, frozenset("abcdef"))))
    for share in (-60.0, -39.1, -39.0, -38.9, -20.0, 0.0, 3.0):
        told.append(said(damage_flags([one("a", replace(BAD, share_db=share))], {}, frozenset("a"))))
        both = [one("a", replace(CALM, share_db=share), replace(BAD, share_db=-50.0, whole=33.0))]
        told.append(said(damage_flags(both, {}, frozenset("a"))))
    told += [_near(500.0, 500.0 * x) for x in (0.9, 0.951, 0.953, 1.0, 1.049, 1.051)]
    told += [_both(one("a", row)) for row in (None, CALM, BAD, ODD)]
    three = [one(name, CALM, BAD) for name in "abc"]
    told += [_usual(one("x", CALM), three), _usual(three[0], three), _elsewhere(one("x", None), three)]
    flags = damage_flags(worlds[0][0], {}, frozenset())
    mixed = [flag("level_repeat", 1.0, takes=("a", "b")), flag("level_repeat", 2.0, takes=("b",))]
    told += [said(without_damaged(mixed, flags)), said(without_damaged(mixed, mixed))]
    assert LIMITS["below_track"] < BAD.below_track
    stands(NAME, "flags of damage", told)


def test_hiss_of_a_whole_take() -> None:
    rig = replace(RIG, rate=48_000, length_s=0.7, lead_s=0.25)
    stimulus = Stimulus(swept(rig), 48_000, sweep_law(30.0, 7500.0, 0.7), 30.0, 7500.0, 0.25)
    y = sounded(rig, played(rig), 0.0, 1.5, 0.004)
    y = y + 1e-3 * np.random.default_rng(1).standard_normal(y.size)
    length = scipy.fft.next_fast_len(y.size, True)
    one = witness_of(
        "t",
        stimulus,
        scipy.fft.rfft(stimulus.samples, length),
        (scipy.fft.rfft(y, length), y),
        None,
        length=length,
        look="plainly",
    )
    assert one.hiss is not None
    stands(NAME, "whole hiss", one, relative=1e-3)


def test_rests_outside_the_sweep() -> None:
    random, told = np.random.default_rng(4), list[Any]()
    place = _Place(LAW, float(RATE), 0.13, 22_000)
    for outside in (0.1, 1.0, 3.0, 10.0):
        rest = 0.01 * random.standard_normal(22_000)
        rest[:5000] *= outside
        rest[17_000:] *= outside
        rest[9000:10_600] *= 6.0
        told.append(_whole(rest, random.standard_normal(22_000), place, 1e-6))
    random = np.random.default_rng(9)
    for top in (60.0, 160.0, 240.0, 960.0):
        rest_f = (random.standard_normal(12_001) + 1j * random.standard_normal(12_001)).astype(np.complex128)
        time = np.arange(24_000) / RATE
        burst = np.zeros(24_000)
        # A tone of the octave that ends soon after the sweep has left it behind.
        ends = place.passes_s(1.6 * top) + np.linspace(0.0, 8.0 / top, 4)[int(top) % 4]
        burst += np.sin(2 * np.pi * 0.8 * top * time) * (time < ends) * 0.2
        told.append(_below_track(0.01 * rest_f + np.fft.rfft(burst), 24_000, place, 1e-6))
    stands(NAME, "outside", told, relative=1e-4)
