"""Equalizers and designs: gains, slopes, files, rounding and limits over drawn bands; frozen.

The values are the program's own ("frozen"). Beside them: gains against the digital sections of the Audio EQ Cookbook
(W3C, 2021), slopes against finite differences.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from flaw_worlds import switches
from mend_worlds import plain_problem

from earwitness import __version__
from earwitness.errors import InputError
from earwitness.insight.mend.design import (
    _peak_db,
    _rounded,
    capped,
    cost,
    design,
    equalizer_of,
    measured,
    parameters_of,
    paths_of,
    settable,
    task_of,
    with_preamp,
    within_boost,
)
from earwitness.insight.mend.equalizer import (
    KINDS,
    Band,
    Equalizer,
    _fir,
    band_gains,
    band_gains_and_slopes,
    coefficients_csv,
    coefficients_json,
    fir,
    gain_db,
    prewarped,
    response,
    response_table,
    sections,
    table_text,
)
from earwitness.insight.mend.objective import Problem
from earwitness.insight.mend.task import EqualizerLimits
from golden_values import stands

NAME = "insight/mend_equalizer"
HZ = 1000.0 * 2.0 ** (np.arange(-96, 98) / 24)


def drawn(random: np.random.Generator, count: int, *, most: float = 5.0, top: float = 12_000.0) -> Equalizer:
    bands = []
    for _ in range(count):
        kind = KINDS[int(random.choice(3, p=(0.6, 0.2, 0.2)))]
        hz = float(np.exp(random.uniform(np.log(60.0), np.log(top))))
        q = float(random.uniform(0.4, 1.0)) if kind != "peaking" else float(np.exp(random.uniform(-0.7, 2.3)))
        bands.append(Band(kind, hz, float(random.uniform(-8.0, most)), q))
    return Equalizer(tuple(bands))


def problem(number: int, **more: Any) -> Problem:
    random = np.random.default_rng([number, 61])
    wanted = -gain_db(drawn(random, 3, top=6000.0), HZ) + 0.1 * np.sin(np.arange(HZ.size) / 3)
    one = plain_problem(HZ, wanted, limits=EqualizerLimits(**more))
    weight = np.interp(np.log(HZ), np.log([80.0, 150.0, 8000.0, 16_000.0]), [0.4, 1.0, 1.0, 0.3])
    cap = np.where(HZ < 90.0, 0.0, one.cap_db)
    return replace(one, weight=weight / weight.sum(), cap_db=cap, judged=(HZ > 80.0) & (HZ < 15_000.0))


@pytest.mark.parametrize("number", range(4))
def test_gains_and_slopes(number: int) -> None:
    random = np.random.default_rng([number, 62])
    rate = (44_100.0, 48_000.0, 96_000.0, 48_000.0)[number]
    one = drawn(random, 5)
    hz = HZ[rate / 2 > HZ]
    kinds, x = parameters_of(one)
    warped = prewarped(hz, rate)
    gains, slopes = band_gains_and_slopes(kinds, x[0], x[1], x[2], warped, sample_rate_hz=rate)
    assert gains == pytest.approx(band_gains(kinds, x[0], x[1], x[2], warped, sample_rate_hz=rate), abs=1e-9)
    assert gain_db(one, hz, rate) == pytest.approx(20 * np.log10(np.abs(response(one, hz, rate))), abs=1e-7)
    for place in range(3):
        step = np.zeros((3, 1))
        step[place] = 1e-6
        ln_f, ln_q, gain = x + step
        moved = band_gains(kinds, ln_f, ln_q, gain, warped, sample_rate_hz=rate)
        assert slopes[place] == pytest.approx((moved - gains) / 1e-6, rel=1e-3, abs=1e-3)
    rows: list[Any] = [
        gains,
        slopes,
        gain_db(one, hz, rate),
        gain_db(one, hz),
        sections(one, rate),
        sections(one),
        response(one, hz),
    ]
    rows += [prewarped(hz, rate), gain_db(Equalizer(()), hz), response(Equalizer(()), 100.0), equalizer_of(kinds, x)]
    stands(NAME, f"gains {number}", rows)


def test_bands_at_their_limits() -> None:
    hz = (0.06, 55.55, 99.94, 99.96, 100.0, 100.4, 100.6, 12_345.6)
    rows: list[Any] = [Band("peaking", one, -2.46, 0.004).rounded() for one in hz]
    rows += [Band("peaking", 100.0, gain, 0.456).rounded() for gain in (-0.04, -0.06, 0.04, 1.26)]
    rows.append(Equalizer((Band("peaking", 99.96, -0.26, 1.234), Band("low_shelf", 99.0, 1.0, 0.7)), -2.0).rounded())
    given: dict[str, Any] = {"kind": "peaking", "frequency_hz": 100.0, "gain_db": 1.0, "q": 1.0}
    for gives in (
        {"frequency_hz": 0.0},
        {"frequency_hz": -1.0},
        {"q": 0.0},
        {"q": -0.5},
        {"gain_db": np.inf},
        {"q": np.nan},
    ):
        with pytest.raises(InputError):
            Band(**(given | gives))
    band = Band("peaking", 100.0, 1.0, 1.0)
    assert len(Equalizer((band,) * 20).bands) == 20
    with pytest.raises(InputError):
        Equalizer((band,) * 21)
    top = np.round(np.arange(0.4, 0.51, 0.001), 4)

    def fits(equalizer: Equalizer, hz: Any) -> str:
        try:
            gain_db(equalizer, hz)
        except InputError as refused:
            return str(refused)[:40]
        return ""

    rows.append(switches(top, [fits(Equalizer((Band("peaking", 48_000 * one, 1, 1),)), 100.0)[:20] for one in top]))
    rows.append(switches(top, [fits(Equalizer((band,)), [48_000 * one, 50.0])[:20] for one in top]))
    order = Equalizer(
        (
            Band("peaking", 200.0, 1.0, 2.0),
            Band("low_shelf", 200.0, 3.0, 0.7),
            Band("peaking", 100.0, 1.0, 1.0),
            Band("peaking", 200.0, 1.0, 1.0),
        )
    )
    stands(NAME, "limits", [*rows, order])


def test_tables_and_coefficients() -> None:
    one = replace(drawn(np.random.default_rng(63), 4), preamp_db=-2.37)
    rows = [table_text(one), coefficients_csv(one, rates_hz=(48_000.0,)), response_table(one, HZ[::40])]
    rows += [response_table(one, HZ[::40], sample_rate_hz=96_000.0)]
    rows += [" ".join(sorted({row.partition(",")[0] for row in coefficients_csv(one).splitlines()[5:]}))]
    texts = [coefficients_json(one, rates_hz=(44_100.0,)), coefficients_json(one), coefficients_csv(one)]
    rows += [str(len(part.splitlines())) for part in texts]
    rounded = [
        " ".join(
            f"{float(part):.6g}" if part.replace(".", "").replace("-", "").replace("e", "").isdigit() else part
            for part in row.split(",")
        )
        for row in rows[1].splitlines()
    ]
    stands(NAME, "tables", [rows[0], rounded, *rows[2:], texts[0].replace(__version__, "")[:300]])


@pytest.mark.parametrize("phase", ["minimum", "linear"])
def test_impulse_responses(phase: Any) -> None:
    random = np.random.default_rng(64)
    one = replace(drawn(random, 3), preamp_db=-1.5)
    rows: list[Any] = [_fir(one, 48_000.0, phase, count) for count in (16, 19, 301)]
    rows += [fir(one, sample_rate_hz=8000.0, phase=phase)] if max(b.frequency_hz for b in one.bands) < 3500 else []
    low = Equalizer((Band("peaking", 60.0, 5.0, 6.0),))
    found = fir(low, sample_rate_hz=8000.0, phase=phase)
    rows += [found.taps.size, found.is_faithful, found.error_db, found.tail_db, found.delay_samples]
    rows += [fir(low, phase=phase, taps=16), fir(Equalizer(()), sample_rate_hz=300.0, phase=phase)]
    rows += [_fir(low, 48_000.0, phase, 2**17).error_db, _fir(low, 48_000.0, phase, 2**17).taps]
    swept = ((0.09, -61.0), (0.11, -61.0), (0.1, -60.0), (0.09, -59.0), (0.1, -60.1), (0.105, -63.0), (0.1, -57.0))
    rows.append([replace(found, error_db=error, tail_db=tail).is_faithful for error, tail in swept])
    stands(NAME, f"impulse {phase}", rows, near_zero=1e-7)
    for count in (15, 2**17 + 1):
        with pytest.raises(InputError):
            fir(low, taps=count)


@pytest.mark.parametrize("number", range(6))
def test_designs_in_steps_of_a_device(number: int) -> None:
    every: dict[int, dict[str, Any]] = {
        0: {},
        1: {"total_boost_db": 0.0},
        2: {"total_boost_db": 1.0, "gain_db": (-3.0, 6.0)},
        3: {"range_hz": (200.0, 3000.0)},
        4: {"kinds": ("peaking",), "q": (0.8, 3.0)},
        5: {"gain_db": (-12.0, 12.0), "total_boost_db": 12.0},
    }
    one = problem(number, **every[number])
    if number == 4:
        one = replace(one, barred=np.array([[300.0, 700.0, -1.0], [2000.0, 2500.0, 1.0]]))
    random = np.random.default_rng([number, 65])
    given = [drawn(random, count, most=6.0, top=9000.0) for count in (0, 1, 3)]
    rows: list[Any] = []
    for each in given:
        rows += [capped(one, each), with_preamp(one, each), within_boost(one, each.rounded()), _peak_db(one, each)]
        rows += [measured(one, each), _rounded(task_of(one), each)]
    rows += [settable(one, each) for each in given]
    rows += [cost(one, given[1]), cost(one, given[2])]
    if number < 4:
        rows += [design(one, count) for count in (1, 2)]
        # The third band is small and lies on a flat bottom, where the last bits move it by some thousandths.
        stands(NAME, f"design {number}, three", design(one, 3), relative=2e-2)
    stands(NAME, f"design {number}", rows)


def test_boosts_within_their_limit() -> None:
    """A sweep of the boost over the limit, and a shelf that overshoots."""
    one = problem(1, total_boost_db=2.0)
    swept = np.round(np.arange(1.8, 2.6, 0.01), 3)
    rows: list[Any] = []
    for band in (Band("peaking", 500.0, 1.0, 1.0), Band("high_shelf", 4000.0, 1.0, 1.0)):
        given = [Equalizer((replace(band, gain_db=float(size)), Band("peaking", 3000.0, -3.0, 1.0))) for size in swept]
        rows.append([within_boost(one, each).bands[0].gain_db for each in given])
        rows.append([with_preamp(one, each).preamp_db for each in given])
        rows.append([capped(one, each).bands[0].gain_db for each in given])
    over = Equalizer((Band("low_shelf", 300.0, -6.0, 1.4),))
    rows.append(
        [_peak_db(one, over), _peak_db(one, Equalizer((Band("peaking", 300.0, -6.0, 1.0),))), with_preamp(one, over)]
    )
    rows.append([within_boost(replace(one, limits=EqualizerLimits(total_boost_db=0.0)), over)])
    rows.append(with_preamp(one, Equalizer((Band("peaking", 300.0, 0.0, 1.0),))))
    rows.append([_peak_db(one, Equalizer((Band("peaking", 21_000.0, 2.0, 1.0), Band("low_shelf", 12.0, 1.0, 0.7))))])
    stands(NAME, "boosts", rows)


def test_tasks_of_problems() -> None:
    rows: list[Any] = []
    for range_hz in (
        None,
        (20.0, 20_000.0),
        (100.0, 400.0),
        (600.0, 1400.0),
        (600.0, 3000.0),
        (2000.0, 20_000.0),
        (499.0, 1501.0),
        (501.0, 1600.0),
        (13_000.0, 15_000.0),
        (400.0, 1400.0),
    ):
        for rate in (48_000.0, 22_050.0) if range_hz != (13_000.0, 15_000.0) else (48_000.0,):
            task = task_of(
                replace(problem(0, range_hz=range_hz), sample_rate_hz=rate, barred=np.array([[300.0, 400.0, 1.0]]))
            )
            rows.append([np.exp(task.low[:, 0]), np.exp(task.high[:, 0]), task.low[:, 1:], task.high[:, 1:]])
            rows.append([task.kinds, task.barred, float(task.weight.sum())])
    rows.append([task_of(problem(0, kinds=("high_shelf", "peaking"))).kinds])
    stands(NAME, "tasks", rows)
    with pytest.raises(InputError):
        task_of(problem(0, range_hz=(17_000.0, 19_000.0)))
    for count in (0, 21):
        with pytest.raises(InputError):
            paths_of(problem(0), count)
