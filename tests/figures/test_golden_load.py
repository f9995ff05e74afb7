"""The loudspeaker as a load: figures, curves, small resonances and box models over a population of impedances.

The values in tests/golden/figures/load.json and box.json are the program's own (frozen); fits are held to a thousandth,
since a search ends where rounding lets it. EPDR, the models of the boxes and the vertex of a parabola are held against
their formulas.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from figure_worlds import closed_load, load_of, of_curves, of_figure, of_figures, vented_load

from earwitness.figures import load_box
from earwitness.figures.load import (
    INFO,
    RATINGS_OHM,
    _against_surroundings,
    _amplifier_load,
    _Band,
    _band,
    _is_narrow,
    _lower_elsewhere,
    _lowest,
    _margin,
    _minimum_figures,
    _phase_figures,
    _step_figure,
    dissipation_share,
    epdr_ohm,
    load_curves,
    load_figures,
    minor_resonances,
    on_load_grid,
    power_factor,
    rating_of,
    relative_noise,
)
from earwitness.figures.load_box import (
    Fitted,
    Peaks,
    _beside,
    above_bass_hz,
    bass_figures,
    bass_peaks,
    closed_box,
    fit_closed,
    fit_vented,
    prominent,
    valley_hz,
    vented_box,
    vertex,
)
from earwitness.quantities import Curve, Figure, FrequencyAxis, Impedance, log_axis
from golden_values import stands

NAME, BOX = "figures/load", "figures/box"
GRID = log_axis(10.0, 20_500.0, 48)
SENSITIVITY = Figure("sensitivity", 86.5, 0.4, "dB", None, "")


def _random(random: np.random.Generator, seed: int) -> Impedance:
    axis = (GRID, log_axis(8.0, 22_000.0, 24), FrequencyAxis(np.geomspace(12.0, 21_000.0, 700)))[seed % 3]
    noise = (0.0, 1e-4, 1.2e-3)[seed % 3]
    return (closed_load, vented_load)[seed % 2](random, axis, noise=noise)


@pytest.mark.parametrize("seed", range(12))
def test_of_a_population(seed: int) -> None:
    random = np.random.default_rng([121, seed])
    load = _random(random, seed)
    enclosure = (("closed", "vented", "other"), ("vented", "passive radiator", "closed"))[seed % 2][seed % 3]
    told = load_figures(
        load, rated_ohm=(4.0, 8.0, None)[seed % 3], enclosure=enclosure, sensitivity=SENSITIVITY,
        rated_band_hz=(None, (50.0, 20_000.0), (30.0, 15_000.0))[seed % 3],
    )  # fmt: skip
    fitted = {key: one for key, one in told.items() if key.startswith(("box", "closed"))}
    stands(NAME, f"figures {seed}", of_figures({key: one for key, one in told.items() if key not in fitted}))
    stands(BOX, f"figures {seed}", of_figures(fitted), relative=2e-2)
    grid = on_load_grid(load)
    found = [np.array([grid.ohm.real, grid.ohm.imag, grid.u_ohm, grid.u_deg, grid.valid]), relative_noise(load)]
    found += [_against_surroundings(grid), [[one.hz, one.percent] for one in minor_resonances(load)]]
    found += [of_curves(load_curves(load)), epdr_ohm(load), power_factor(load)]
    stands(NAME, f"load {seed}", found, near_zero=1e-8)


@pytest.mark.parametrize("seed", range(6))
def test_loads_with_holes(seed: int) -> None:
    random = np.random.default_rng([122, seed])
    load = _random(random, seed)
    hz = load.axis.hz
    cuts = (
        (hz > 18.0) & (hz < 18_000.0), (np.abs(np.log2(hz / 300.0)) > 0.25), (np.abs(np.log2(hz / 3000.0)) > 0.1),
        hz > 60.0, hz < 5000.0, np.abs(np.log2(hz / 800.0)) > 0.8,
    )  # fmt: skip
    cut = replace(load, valid=cuts[seed])
    told = load_figures(cut, rated_ohm=6.0, enclosure="vented", sensitivity=SENSITIVITY, level_db=94.0, crest_db=15.0)
    stands(NAME, f"holes {seed}", of_figures(told), relative=1e-2)
    grid = on_load_grid(cut)
    stands(
        NAME, f"grid {seed}", [grid.ohm, grid.valid, grid.u_ohm, relative_noise(cut), _against_surroundings(grid)[1]]
    )


def test_what_is_asked_without_a_measurement() -> None:
    random = np.random.default_rng(123)
    load = closed_load(random, GRID)
    told: list[Any] = [of_figures(load_figures(None))[:3], of_figures(load_figures(load))]
    refused = replace(SENSITIVITY, value=None, u=None, reason="not calibrated")
    told += [of_figures(load_figures(load, sensitivity=refused))[5:9]]
    stands(NAME, "asked", told, relative=1e-3)


def test_epdr_is_the_worst_moment_of_a_class_b_stage() -> None:
    """The largest of V^2 / |Z| (1 - sin t) sin(t - p) over the conducting half, against V^2 / (4 R) of a resistor."""
    t = np.linspace(0.0, 2 * np.pi, 200_001)
    for phase in (0.0, 10.0, 45.0, -45.0, 70.0, 90.0):
        p = np.radians(abs(phase))
        worst = np.max((1 - np.sin(t)) * np.sin(t - p) * (t > p) * (t < p + np.pi))
        assert dissipation_share(np.array([phase]))[0] == pytest.approx(1 / (4 * worst), rel=1e-6)
    assert dissipation_share(np.array([120.0]))[0] == dissipation_share(np.array([90.0]))[0]
    axis = FrequencyAxis(np.arange(1.0, 14.0) * 100)
    angle = np.radians([0.0, 0.5, -0.5, 0.95, 1.0, 1.05, -1.05, 30.0, -60.0, 89.995, 100.0])
    ohm = np.concatenate([6.0 * np.exp(1j * angle), [6j, -6j]])
    load = Impedance(axis, ohm, np.full(13, 0.1), np.full(13, 0.7), np.ones(13, dtype=bool))
    # Exactly a quarter turn is still passive.
    assert load_curves(load)["epdr"].valid.tolist() == [True] * 10 + [False, True, True]
    stands(
        NAME, "epdr", [list(zip(*(one.tolist() for one in epdr_ohm(load)), strict=True)), of_curves(load_curves(load))]
    )


def test_the_grid() -> None:
    random = np.random.default_rng(124)
    load = closed_load(random, GRID)
    assert on_load_grid(load) is load
    told: list[Any] = []
    for gap in (0.32, 0.33, 0.335, 0.35, 0.4):
        x = np.concatenate([np.arange(0.0, 3.0, 0.11), 2.97 + gap + np.arange(0.0, 3.0, 0.13)])
        axis = FrequencyAxis(40.0 * 2.0**x)
        one = Impedance(axis, 5 + 2j * x, 0.1 + x, 0.2 + x, np.arange(x.size) % 17 != 9)
        grid = on_load_grid(one)
        told.append([grid.axis.hz[[0, -1]], grid.ohm, grid.u_ohm, grid.u_deg, grid.valid])
    wide = log_axis(2.0, 80_000.0, 7)
    one = Impedance(
        wide, np.full(len(wide), 4.0 + 1j), np.zeros(len(wide)), np.zeros(len(wide)), np.ones(len(wide), dtype=bool)
    )
    told.append([on_load_grid(one).axis.hz[[0, -1]], on_load_grid(one).valid])
    dead = replace(one, ohm=np.where(np.arange(len(wide)) % 5 == 0, 0.0, one.ohm))
    turned = replace(one, ohm=4.0 * np.exp(0.9j * np.arange(len(wide))), valid=np.arange(len(wide)) % 6 != 3)
    told += [[on_load_grid(each).ohm, on_load_grid(each).valid] for each in (dead, turned)]
    exact = FrequencyAxis(np.concatenate([GRID.hz[100:104], GRID.hz[105:110] * 1.001, GRID.hz[112:140]]))
    for lost in range(3, 11):
        some = Impedance(
            exact,
            np.full(len(exact), 4.0 + 1j),
            np.zeros(len(exact)),
            np.zeros(len(exact)),
            np.arange(len(exact)) != lost,
        )
        told.append([on_load_grid(some).valid])
    stands(NAME, "grid", told)


def test_noise_of_a_load() -> None:
    random = np.random.default_rng(125)
    ohm = np.exp(0.01 * random.standard_normal(4000)) * (5.0 + 0j)
    axis = FrequencyAxis(np.geomspace(10.0, 20_000.0, 4000))
    load = Impedance(axis, ohm, np.zeros(4000), np.zeros(4000), np.ones(4000, dtype=bool))
    # The normal law: the median of sizes is 0.6745 of the deviation.
    assert relative_noise(load) == pytest.approx(0.01, rel=0.05)
    none = replace(load, valid=np.arange(4000) % 2 == 0)
    three = Impedance(FrequencyAxis(axis.hz[:3]), ohm[:3], np.zeros(3), np.zeros(3), np.ones(3, dtype=bool))
    many = [replace(load, valid=np.arange(4000) % 7 != 3), replace(load, ohm=np.where(np.arange(4000) % 9, ohm, 0.0))]
    stands(NAME, "noise", [relative_noise(none), relative_noise(three), *(relative_noise(one) for one in many)])


def test_bumps_of_all_sizes_and_widths() -> None:
    hz = GRID.hz
    x = np.log2(hz)
    told: list[Any] = []
    for size in (0.003, 0.0055, 0.0059, 0.0062, 0.0065, 0.007, 0.02, -0.0062, -0.007, -0.02):
        ohm = 6.0 * (1 + size * np.exp(-(((x - np.log2(500.0)) / 0.02) ** 2))) + 0j
        load = load_of(np.random.default_rng(1), GRID, ohm, wrinkles=0)
        told.append([[one.hz, one.percent] for one in minor_resonances(load)])
    for width in (0.02, 0.05, 0.08, 0.1, 0.12, 0.15, 0.2, 0.4):
        ohm = 6.0 * (1 + 0.03 * np.exp(-(((x - np.log2(500.0)) / width) ** 2))) + 0j
        load = load_of(np.random.default_rng(1), GRID, ohm, wrinkles=0)
        told.append([[one.hz, one.percent] for one in minor_resonances(load)])
    for place in (78.0, 80.0, 82.0, 90.0, 120.0, 160.0, 19_000.0, 20_000.0, 20_400.0):
        for above in (80.0, 85.0, 130.0):
            ohm = 6.0 * (1 + 0.03 * np.exp(-(((x - np.log2(place)) / 0.02) ** 2))) + 0j
            load = load_of(np.random.default_rng(1), GRID, ohm, wrinkles=0)
            told.append([len(minor_resonances(load, above_hz=above)), len(minor_resonances(load))])
    # Steps of a quarter of an octave and less apart, more than twelve in all.
    for apart in (0.2, 0.24, 0.25, 0.26, 0.28, 0.4):
        ohm = np.full(hz.size, 6.0 + 0j)
        for row in range(14):
            ohm = ohm * (1 + (0.02 + 0.001 * row) * np.exp(-(((x - 7.2 - apart * row) / 0.02) ** 2)))
        load = load_of(np.random.default_rng(1), GRID, ohm, wrinkles=0)
        told.append([[one.hz, one.percent] for one in minor_resonances(load)])
    short = Impedance(
        FrequencyAxis(hz[200:224]), np.full(24, 6.0 + 0j), np.zeros(24), np.zeros(24), np.ones(24, dtype=bool)
    )
    told += [[minor_resonances(short)], [_against_surroundings(short)[1]]]
    longer = Impedance(
        FrequencyAxis(hz[200:225]), np.full(25, 6.0 + 0j), np.zeros(25), np.zeros(25), np.ones(25, dtype=bool)
    )
    told += [[_against_surroundings(longer)[1]]]
    stands(NAME, "bumps", told, near_zero=1e-6)


def test_what_is_narrow() -> None:
    told: list[Any] = []
    for half in (0.4, 0.49, 0.5, 0.51, 0.6, -0.3):
        for row in (0, 2, 4, 10, 16, 19, 20):
            bump = np.full(21, 0.1)
            bump[row] = 2.0
            bump[[max(row - 4, 0), min(row + 4, 20)]] = [2.0 * half if row > 3 else 0.2, 0.2]
            told.append([_is_narrow(bump, row), _is_narrow(-bump, row), _is_narrow(bump[::-1], 20 - row)])
    stands(NAME, "narrow", told)


def test_ratings() -> None:
    """IEC 60268-3 wants 80 % of the rating at least: 16, 8, 6, 4 and 2 ohm, at, below and above."""
    told: list[Any] = []
    for ohm in (1.0, *(0.8 * one * part for one in RATINGS_OHM for part in (0.95, 1.0, 1.05)), 40.0):
        told.append(rating_of(ohm))
    told += [[rating_of(0.8 * one - off) for one in RATINGS_OHM] for off in (0.95e-9, 1.05e-9, 2e-9)]
    assert [rating_of(one) for one in (1.59, 1.6, 3.2, 4.8, 6.4, 12.8)] == [0.0, 2.0, 4.0, 6.0, 8.0, 16.0]
    band = _Band(np.ones(3, dtype=bool), (20.0, 20_000.0), 1.0)
    almost = replace(band, share=0.998)
    whole = [replace(band, share=share).whole for share in (0.99, 0.999, 0.9991, 1.0)]
    margins = []
    for minimum in (5.9, 6.19, 6.2, 6.21, 6.39, 6.4, 6.41, 6.59, 6.6, 6.61, 7.0):
        margins.append(of_figure(_margin(minimum, 0.1, 8.0, band, ("told",), ("s",))))
    margins.append(of_figure(_margin(7.0, 0.1, None, band, ("told",), ("s",))))
    margins.append(of_figure(_margin(7.0, 0.1, 4.0, almost, (), ("s",))))
    steps = []
    for low, value, high in (
        (0.0, 0.0, 2.0),
        (0.0, 2.0, 2.0),
        (4.0, 4.0, 4.0),
        (4.0, 4.0, 6.0),
        (4.0, 6.0, 6.0),
        (0.0, 0.0, 0.0),
    ):
        steps.append(of_figure(_step_figure("rated_impedance_supported", (low, value, high), (), (20.0, 20_000.0))))
    stands(NAME, "ratings", [told, whole, margins, steps])


def test_the_load_that_an_amplifier_sees() -> None:
    def one(key: str, value: float | None, u: float, band: tuple[float, float] | None = (30.0, 9000.0)) -> Figure:
        return Figure(
            key, value, None if value is None else u, "ohm", band, "", reason="" if value is not None else f"no {key}"
        )

    told: list[Any] = []
    share = float(dissipation_share(np.array([45.0]))[0])
    for size in (None, 1.5, 3.3, 6.3, 6.5):
        for peak in (None, 1.0 * share, 3.25 * share, 4.7 * share, 6.3 * share, 6.5 * share, 7.0 * share):
            for u in (0.01, 0.048, 0.052, 0.11, 0.2, 0.29):
                found = {
                    "impedance_minimum": one("impedance_minimum", size, u),
                    "epdr_minimum_program": one("epdr_minimum_program", peak, u),
                }
                told.append(of_figure(_amplifier_load(found, ("s",)))[1:6])
    found = {"impedance_minimum": one("a", 5.0, 0.1, None), "epdr_minimum_program": one("b", 5.0, 0.1, None)}
    stands(NAME, "amplifier", [*told, of_figure(_amplifier_load(found, ("s",)))])


def _flat(ohm: np.ndarray, axis: FrequencyAxis = GRID, *, u: float = 0.02) -> Impedance:
    return Impedance(
        axis, ohm + 0j, np.full(len(axis), u), np.full(len(axis), 0.5), np.ones(len(axis), dtype=bool), ("s",)
    )


def test_bands_and_minima() -> None:
    hz = GRID.hz
    told: list[Any] = []
    load = _flat(6.0 + np.abs(np.log2(hz / 200.0)))
    for band in (
        (20.0, 20_000.0),
        (40.0, 4000.0),
        (5.0, 20_000.0),
        (20.0, 40_000.0),
        (20.0, 20_400.0),
        (9.0, 20_000.0),
    ):
        found = _band(load, band)
        told.append([found.share, found.whole, found.rows])
        told.append([of_figures(_minimum_figures(load, found, 6.0))])
    one_point = Impedance(
        FrequencyAxis(np.array([100.0])), np.array([5.0 + 0j]), np.zeros(1), np.zeros(1), np.ones(1, dtype=bool)
    )
    told.append([_band(one_point, (50.0, 200.0)).share, _band(one_point, (50.0, 20_000.0)).share])
    for lost in (0.03, 0.045, 0.052, 0.07, 0.2):
        cut = replace(load, valid=np.abs(np.log2(hz / 3000.0)) > lost * 5.0)
        told.append(
            [_band(cut, (20.0, 20_000.0)).share, of_figures(_minimum_figures(cut, _band(cut, (20.0, 20_000.0)), 6.0))]
        )
    for low in (12.0, 15.0, 18.0, 20.5):
        deep = _flat(np.where(hz < low, 5.0, 6.0 + np.abs(np.log2(hz / 200.0))))
        told.append(_lower_elsewhere(deep, _band(deep, (20.0, 20_000.0)), 6.0))
    for drop in (0.0, 0.039, 0.04, 0.041, 0.044, 0.1):
        deep = _flat(np.where(hz < 15.0, 6.0 - drop, 6.5))
        told.append(_lower_elsewhere(deep, _band(deep, (20.0, 20_000.0)), 6.0))
        told.append(_lower_elsewhere(replace(deep, valid=hz > 15.0), _band(deep, (20.0, 20_000.0)), 6.0))
        told.append(_lower_elsewhere(deep, _band(deep, (5.0, 40_000.0)), 6.0))
    for noise in (0.0, 0.001, 0.01, 0.1):
        for middle in (10.5, 200.0, 3000.0, 20_400.0):
            values = 5.0 * (1 + 0.03 * np.abs(np.log2(hz / middle)))
            curve = Curve.of("k", "k", GRID, values, u=0.05, u_common=0.02)
            for rows in (np.ones(hz.size, dtype=bool), np.abs(np.log2(hz / middle)) < 0.3, hz > middle * 1.1):
                if rows.any():
                    told.append([_lowest(curve, rows, noise)])
    stands(NAME, "minima", told)


def test_the_steepest_phase_where_the_load_is_low() -> None:
    """Up to half above the minimum counts, in steps about it."""
    hz = GRID.hz
    told: list[Any] = []
    for size in (1.3, 1.45, 1.49, 1.51, 1.6, 1.7):
        ohm = np.where(hz < 500.0, 4.0, 4.0 * size) * np.exp(1j * np.radians(np.where(hz < 500.0, -20.0, 50.0)))
        load = _flat(ohm)
        for band in ((20.0, 20_000.0), (20.0, 60_000.0)):
            found = _phase_figures(load, _band(load, band), _band(load, (40.0, 4000.0)))
            told.append(of_figures(found))
    cut = replace(load, valid=hz > 100.0)
    told.append(of_figures(_phase_figures(cut, _band(cut, (20.0, 20_000.0)), _band(cut, (40.0, 4000.0)))))
    active = _flat(5.0 * np.exp(1j * np.radians(np.where(hz < 100.0, 95.0, 10.0))))
    told.append(of_figures(load_figures(active))[8:])
    stands(NAME, "phase", told, relative=1e-4)


def test_models_are_their_circuits() -> None:
    """A coil, its inductance and a parallel resonance in series; other ways of the current beside them (Small)."""
    hz = np.array([10.0, 30.0, 50.0, 100.0, 5000.0])
    s = 2j * np.pi * hz
    re, le, res, fs, qms, cp, rp = 5.0, 3e-4, 20.0, 50.0, 4.0, 2e-6, 7.0
    c = qms / (2 * np.pi * fs * res)
    motion = 1 / (1 / res + s * c + 1 / (s * (1 / ((2 * np.pi * fs) ** 2 * c))))
    z = re + s * le + motion
    wanted = 1 / (1 / z + 1 / (rp + 1 / (s * cp)))
    assert closed_box(hz, np.array([re, le, res, fs, qms, cp, rp])) == pytest.approx(wanted, rel=1e-9)
    assert _beside(hz, z, cp, rp) == pytest.approx(wanted, rel=1e-9)
    fb, ql, alpha, qp = 40.0, 9.0, 1.3, 25.0
    w, wb = 2 * np.pi * fs, 2 * np.pi * fb
    box = alpha * w / (s + wb / ql + wb**2 / (s + wb / qp))
    vented = re + s * le + res / qms / (s / w + w / s + 1 / qms + box)
    found = vented_box(hz, np.array([re, le, res, fs, qms, fb, ql, alpha, qp, 1e-30, rp]))
    assert found == pytest.approx(vented, rel=1e-9)


def test_the_vertex_of_a_parabola() -> None:
    x = np.array([0.0, 1.0, 2.5, 3.0, 5.0])
    for place, size, bend in ((1.2, 4.0, -2.0), (2.4, -1.0, 3.0), (2.9, 0.5, -0.1)):
        y = size + bend * (x - place) ** 2
        for row in (1, 2, 3):
            if x[row - 1] <= place <= x[row + 1]:
                assert vertex(x, y, row) == pytest.approx((place, size))
    told: list[Any] = [
        vertex(x, y, row) for row in range(5) for y in (x, x**2, -((x - 4.9) ** 2), np.ones(5), np.abs(x - 2.5))
    ]
    stands(BOX, "vertices", told)


@pytest.mark.parametrize("seed", range(4))
def test_prominent_maxima(seed: int) -> None:
    random = np.random.default_rng([126, seed])
    values = np.round(np.cumsum(random.normal(0.0, 1.0, 60)), (0, 1, 2, 6)[seed])
    stands(BOX, f"prominent {seed}", [prominent(values, least) for least in (0.0, 0.5, 1.0, 2.0, 4.0)])


def _fitted(random: np.random.Generator, seed: int) -> list[object]:
    load = on_load_grid((closed_load, vented_load)[seed % 2](random, GRID, noise=(0.0, 0.002, 0.01)[seed % 3]))
    peaks = bass_peaks(load)
    assert peaks is not None
    told: list[Any] = [peaks, above_bass_hz(load)]
    if seed % 2 and len(peaks.hz) > 1:
        valley = valley_hz(load, *peaks.hz[:2])
        fit = fit_vented(load, peaks, valley)
        told += [valley, [fit.values[key] for key in ("re", "fs", "fb", "res")], fit.misfit]
        told += [fit.u["fb"]]
    elif seed % 2 == 0:
        fit = fit_closed(load, peaks)
        told += [
            [fit.values[key] for key in ("re", "fs", "qms", "res")],
            [fit.u[key] for key in ("re", "fs", "qms")],
            fit.misfit,
        ]
    return told


@pytest.mark.parametrize("seed", range(8))
def test_boxes_of_a_population(seed: int) -> None:
    random = np.random.default_rng([127, seed])
    stands(BOX, f"box {seed}", _fitted(random, seed), relative=1e-2, near_zero=1e-6)


def test_which_bass_is_known() -> None:
    random = np.random.default_rng(128)
    load = closed_load(random, GRID)
    hz = GRID.hz
    told: list[Any] = []
    for low in (20.0, 24.0, 24.9, 25.2, 26.0, 28.0, 40.0):
        told.append([bass_peaks(replace(load, valid=hz > low)) is None])
    for count in (22, 23, 24, 25, 26):
        told.append([bass_peaks(replace(load, valid=np.arange(hz.size) < count)) is None])
    for high in (240.0, 250.0, 260.0, 280.0):
        peak = _flat(
            5.0 + 4.0 * np.exp(-((np.log2(hz / high) / 0.1) ** 2)) + 3.0 * np.exp(-((np.log2(hz / 50.0) / 0.3) ** 2))
        )
        told.append([bass_peaks(peak), above_bass_hz(peak)])
    low_peak = _flat(5.0 + 4.0 * np.exp(-((np.log2(hz / 30.0) / 0.1) ** 2)))
    told.append(
        [
            above_bass_hz(low_peak),
            above_bass_hz(replace(low_peak, valid=hz > 60.0)),
            above_bass_hz(_flat(np.full(hz.size, 5.0))),
        ]
    )
    for rise in (0.4, 0.49, 0.51, 0.54, 0.6):
        small = _flat(5.0 + rise * np.exp(-((np.log2(hz / 70.0) / 0.2) ** 2)))
        told.append([bass_peaks(small)])
    tiny = _flat(0.05 + 0.03 * np.exp(-((np.log2(hz / 70.0) / 0.2) ** 2)))
    told.append([bass_peaks(tiny)])
    axis = log_axis(4.0, 400.0, 48)
    told.append([bass_peaks(_flat(5.0 + 4.0 * np.exp(-((np.log2(axis.hz / 5.2) / 0.1) ** 2)), axis))])
    stands(BOX, "bass", told)


@pytest.mark.parametrize("enclosure", ["closed", "vented", "passive radiator", "open"])
def test_words_of_the_box(enclosure: str) -> None:
    hz = GRID.hz
    random = np.random.default_rng(129)

    def bumps(*places: float) -> Impedance:
        return _flat(5.0 + sum(4.0 * np.exp(-((np.log2(hz / place) / 0.15) ** 2)) for place in places) + 0 * hz)

    many = [closed_load(random, GRID), vented_load(random, GRID), bumps(), bumps(40.0), bumps(30.0, 80.0)]
    many += [bumps(30.0, 80.0, 150.0), replace(bumps(40.0), valid=hz > 60.0), bumps(14.0), bumps(15.5)]
    many += [_flat(5.0 + rise * np.exp(-((np.log2(hz / 50.0) / 0.3) ** 2))) for rise in (2.3, 2.45, 2.55, 2.7)]
    told: list[Any] = [of_figures(bass_figures(one, enclosure, INFO)) for one in many]
    stands(BOX, f"words {enclosure}", told, relative=3e-3, near_zero=1e-5)


@pytest.mark.parametrize("misfit", [0.0, 0.01, 0.028, 0.03, 0.034, 0.05, 0.1])
def test_a_model_that_does_not_fit(misfit: float) -> None:
    """Ripples over the model, from below to above the worst rms misfit that is taken."""
    random = np.random.default_rng(130)
    told: list[Any] = []
    for made, enclosure in ((closed_load, "closed"), (vented_load, "vented")):
        load = made(random, GRID)
        rippled = replace(load, ohm=load.ohm * np.exp(np.sqrt(2) * misfit * np.sin(40 * np.log2(GRID.hz))))
        peaks = bass_peaks(rippled)
        told.append([None if peaks is None else len(peaks.hz)])
        told.append([[one[0], one[4], one[6], one[7]] for one in of_figures(bass_figures(rippled, enclosure, INFO))])
    stands(BOX, f"misfit {misfit:g}", told, relative=3e-3)


def test_starts_of_fits() -> None:
    """Data without a rise, or with one peak higher than the other, still give a start."""
    random = np.random.default_rng(131)
    load = vented_load(random, GRID)
    peaks = bass_peaks(load)
    assert peaks is not None
    low = Peaks(peaks.hz[:2], (5.0, 5.0), 0.05, 10.0)
    fits = [fit_vented(load, low, 40.0), fit_vented(load, peaks, 45.0), fit_closed(load, low), fit_closed(load, peaks)]
    told: list[Any] = [[one.misfit, one.values["re"], one.values["fs"]] for one in fits]
    stands(BOX, "starts", told, relative=5e-3)


@pytest.mark.parametrize("ohm", [(8.0, 12.0), (0.12, 0.18), (0.105, 0.11), (12.0, 9.0)])
def test_what_a_fit_starts_from(ohm: tuple[float, float], monkeypatch: pytest.MonkeyPatch) -> None:
    """Start, bounds, and what is made of a result, without the search, which may forget them."""
    import scipy.optimize

    random = np.random.default_rng(132)
    load = vented_load(random, GRID)
    asked: list[object] = []

    class Found:
        def __init__(self, misfit: object, centre: np.ndarray, **facts: object) -> None:
            asked.append([centre, facts])
            self.x = centre
            self.fun = misfit(centre)  # type: ignore[operator]
            self.jac = np.random.default_rng(133).normal(0.0, 1.0, (self.fun.size, centre.size))

    monkeypatch.setattr(scipy.optimize, "least_squares", Found)
    dc_ohm = min(ohm) - 0.05
    peaks = Peaks((30.0, 70.0, 90.0), (*ohm, 30.0), dc_ohm, 10.0)
    told: list[Any] = [fit_vented(load, peaks, 45.0), fit_vented(load, peaks, 75.0), fit_closed(load, peaks)]
    told += [fit_closed(load, Peaks((40.0,), (max(ohm),), max(ohm) - 0.07, 10.0)), *asked]
    few = replace(load, valid=(GRID.hz > 30.0) & (GRID.hz < 33.5))
    told += [fit_vented(few, peaks, 45.0), fit_closed(few, Peaks((30.0,), (9.0,), 5.0, 10.0))]
    stands(BOX, f"starts {ohm}", told)


def _give(monkeypatch: pytest.MonkeyPatch, name: str, result: object) -> None:
    monkeypatch.setattr(load_box, name, lambda *_: result)


def test_figures_of_a_fit(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of stated parameters, each with a stated uncertainty: how they go into the figures, and which misfit is taken."""
    random = np.random.default_rng(134)
    closed, vented = closed_load(random, GRID), vented_load(random, GRID)
    values = {"re": 5.0, "le": 1e-4, "res": 20.0, "fs": 47.0, "qms": 3.0, "fb": 44.0}
    told: list[Any] = []
    for misfit in (0.0, 0.029, 0.03, 0.0305, 0.032):
        for large in (None, *values):
            u = {key: value * (0.05 if key == large else 0.013) for key, value in values.items()}
            fit = Fitted(values, u, misfit)
            _give(monkeypatch, "fit_closed", fit)
            _give(monkeypatch, "fit_vented", fit)
            found = {**bass_figures(vented, "vented", INFO), **bass_figures(closed, "closed", INFO)}
            if misfit in (0.0, 0.03) or large is None:
                told.append([one[:8] for one in of_figures(found)])
    stands(BOX, "fits", told)


@pytest.mark.parametrize("lowest", [10.0, 20.0, 29.0, 30.5, 31.0, 33.0, 40.0])
def test_a_peak_at_the_lowest_frequency(lowest: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """One and a half times the lowest frequency measured, and one and a half times the d.c. resistance."""
    load = closed_load(np.random.default_rng(135), GRID)
    fit = Fitted(dict.fromkeys(("re", "res", "fs", "qms"), 5.0), dict.fromkeys(("re", "res", "fs", "qms"), 0.1), 0.01)
    _give(monkeypatch, "fit_closed", fit)
    told: list[Any] = []
    for top in (14.8, 15.0, 15.5, 16.6, 30.0):
        peaks = Peaks((46.0, 60.0), (top, 12.0), 10.0, lowest)
        _give(monkeypatch, "bass_peaks", peaks)
        told.append(of_figures(bass_figures(load, "closed", INFO)))
        told.append([above_bass_hz(load)])
    stands(BOX, f"lowest {lowest:g}", told)
