"""Distortion, multitones and two tones over a population of takes, and where a limit is passed.

The values in tests/golden/figures/distortion.json and tones.json are the program's own (frozen). Percent and the near
field of a cone (Keele 1974) are held against their formulas.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from figure_worlds import curve_of, of_curve, of_curves, of_figure, of_figures
from level_worlds import made_take
from take_worlds import AXIS, multitone, series, two_tones

from earwitness.errors import InputError
from earwitness.figures.distortion import (
    Distortion,
    _held,
    _last_hz,
    _new_points,
    _reference,
    at_one_meter,
    distortion,
    distortion_figures,
    figure_at,
    in_percent,
    largest,
    level_key,
    level_series,
    near_to_one_meter_db,
    passes_limit,
)
from earwitness.figures.tones import clear_bands, common_bands, intermodulation, multitone_curves
from earwitness.quantities import Curve, FrequencyAxis, Harmonics
from earwitness.quantities.measurement import MultitoneReading
from golden_values import stands

NAME, TONES = "figures/distortion", "figures/tones"


def _told(one: Distortion) -> list[object]:
    words = [one.drive_v, one.ranges_hz, one.complete_to_hz]
    curves = [np.array([each.values, each.u, each.u_common, each.valid]) for each in (one.total, one.fundamental)]
    harmonics = np.array([[each.values, each.u, each.valid] for each in one.harmonics])
    names = [[each.key, each.name, each.reference] for each in (one.total, one.fundamental, *one.harmonics)]
    return [*words, *curves, harmonics, one.at_most_db, one.known, names]


@pytest.mark.parametrize("seed", range(8))
def test_of_a_population(seed: int) -> None:
    random = np.random.default_rng([91, seed])
    takes = series(random, holes=seed % 2 == 1, levels=3)
    told: list[Any] = []
    found = [distortion(take) for take in takes]
    found += [distortion(takes[1], smoothing=12, u_level_db=0.4, lineage=("a",)), distortion(takes[2], smoothing=3)]
    for one in found:
        told.append(_told(one))
        told.append([of_figure(passes_limit(one, limit)) for limit in (0.5, 1.0, 3.0, 10.0)])
        told.append([of_figure(passes_limit(one, 1.0, start_hz=start)) for start in (200.0, 40.0, 15_000.0, 25_000.0)])
        told.append([of_figure(largest(one)), of_figure(largest(one, band_hz=(40.0, 12_000.0)))])
    told.append([of_curve(in_percent(found[0].total)), of_curve(in_percent(found[1].fundamental))])
    told.append([figure.key for figure in distortion_figures(found[:3]).values()])
    stands(NAME, f"series {seed}", told)


@pytest.mark.parametrize("orders", [(0,), (2,), (2, 3), (3, 5, 7), (0, 2)])
def test_other_orders(orders: tuple[int, ...]) -> None:
    hz = AXIS.hz
    rows = len(orders)
    level = np.array([50.0 - 5.0 * n + 10 * np.sin(np.log2(hz)) for n in range(rows)])
    valid = np.array([hz * max(n, 1) < 20_000.0 for n in orders])
    take = Harmonics("a", 2.0, 1.0, "far-field", orders, AXIS, np.full(hz.size, 90.0), level, level - 14.0, valid)
    one = distortion(take, lineage=("s",))
    told: list[Any] = [_told(one), _new_points(take, 6), of_figures(distortion_figures([one])), one.total.name]
    told += [[each.key for each in one.harmonics]]
    told += [
        [(each.distance_m, each.valid, each.harmonic_db) for each in at_one_meter([replace(take, distance_m=2.0)])]
    ]
    stands(NAME, f"orders {orders}", told)


def test_the_margin_over_the_noise() -> None:
    """From below to above the stated margin in steps of 0.55 dB, and how much of the total may lie under the noise."""
    hz = AXIS.hz
    told: list[Any] = []
    for margin in np.arange(4.0, 15.1, 0.55):
        noise = np.full((4, hz.size), 40.0)
        level = np.stack([noise[0] + margin, noise[0] + 20.0, noise[0] + 4.0, noise[0] - 3.0])
        take = made_take(2.0, np.full(hz.size, 85.0), {}, axis=AXIS)
        one = distortion(replace(take, harmonic_db=level, noise_db=noise))
        told.append([one.harmonics[0].valid.sum(), one.total.valid.sum(), float(one.total.u.sum())])
    for under in np.arange(-12.0, 3.0, 0.5):
        noise = np.full((4, hz.size), 40.0)
        level = np.stack([noise[0] + 12.0, noise[0] + under, noise[0] + under, noise[0] + under])
        one = distortion(replace(take, harmonic_db=level, noise_db=noise))
        told.append([one.harmonics[0].valid.sum(), one.total.valid.sum(), float(one.total.u.sum())])
    stands(NAME, "margins", np.array(told))


def _given(level_db: np.ndarray, valid: np.ndarray | None = None, known: np.ndarray | None = None) -> Distortion:
    """A total as it is given, 10 dB under its bound where it is covered."""
    hz = AXIS.hz
    there = np.ones(hz.size, dtype=bool) if valid is None else valid
    inside = np.ones(hz.size, dtype=bool) if known is None else known
    total = Curve.of("distortion_total@2v", "total", AXIS, level_db, there, u=0.5, u_common=0.1)
    flat = Curve.of("fundamental@2v", "fundamental", AXIS, np.full(hz.size, 90.0))
    return Distortion(2.0, flat, (), total, level_db + 10.0 * ~there, inside, (), 4000.0)


def test_where_a_limit_is_passed() -> None:
    hz = AXIS.hz
    rising = -60.0 + 30.0 * (1000.0 / hz) ** 0.5
    many = [
        _given(rising), _given(rising - 40), _given(rising + 40), _given(np.full(hz.size, -40.0)),
        _given(rising, hz > 100.0), _given(rising, hz > 400.0), _given(rising, hz < 900.0), _given(rising, hz > 60.0),
        _given(rising, None, hz > 300.0), _given(rising, None, np.abs(hz - 300.0) > 20),
        _given(rising, None, hz > 2000.0),
        _given(-60.0 + 40.0 * (np.abs(np.log2(hz / 200.0)) < 0.2)), _given(-60.0 + 40.0 * (hz < 30.0)),
        _given(rising, hz > 5e4), _given(rising - 40, hz > 5e4), _given(rising, hz > 4000.0, hz > 200.0),
    ]  # fmt: skip
    told: list[Any] = [[of_figure(passes_limit(one, limit)) for limit in (1.0, 3.0, 0.2)] for one in many]
    told += [[of_figure(largest(one)), of_figure(largest(one, band_hz=(20.0, 60.0)))] for one in many]
    # At a limit exactly is not over it.
    told += [[of_figure(passes_limit(_given(np.full(hz.size, -40.0 + off)), 1.0)) for off in (-1e-9, 0.0, 1e-9)]]
    told += [[passes_limit(many[0], 1.0).method, passes_limit(many[0], 7.0).method, passes_limit(many[0], 7.0).key]]
    stands(NAME, "limits", told)


@pytest.mark.parametrize("share", [0.5, 0.9, 0.94, 0.96, 0.99, 1.0])
def test_how_much_of_a_band_is_judged(share: float) -> None:
    axis = FrequencyAxis(np.geomspace(100.0, 5000.0, 200))
    total = Curve.of("t", "t", axis, np.linspace(-50.0, -30.0, 200), np.arange(200) < 200 * share, u=0.4)
    one = Distortion(2.0, total, (), total, total.values, np.ones(200, dtype=bool), (), None)
    told: list[Any] = [of_figure(largest(one)), of_figure(largest(replace(one, complete_to_hz=4000.0)))]
    told += [of_figure(largest(one, band_hz=(50.0, 90.0))), of_figure(largest(one, band_hz=(100.0, 101.0)))]
    stands(NAME, f"share {share}", told)


@pytest.mark.parametrize("seed", range(4))
def test_a_series_at_one_meter(seed: int) -> None:
    random = np.random.default_rng([92, seed])
    far = series(random, levels=2, distance_m=2.5)
    near = series(random, levels=2, place="near-field", distance_m=0.01)
    other = FrequencyAxis(np.geomspace(30.0, 15_000.0, 90))
    values = 86.0 + 3.0 * np.sin(np.log2(other.hz))
    cuts = (other.hz > 0, other.hz > 200.0, (other.hz > 100) & (other.hz < 4000), other.hz > 1e6)
    on_axis = curve_of(values, other, valid=cuts[seed])
    made = [at_one_meter(far), at_one_meter(far, in_room=True), at_one_meter(far, on_axis=on_axis)]
    made += [at_one_meter(far, on_axis=on_axis, in_room=True, reference_v=1.5), at_one_meter(near, radius_m=0.06)]
    if seed < 3:
        made += [at_one_meter(near, on_axis=on_axis), at_one_meter(near, on_axis=on_axis, radius_m=0.06, in_room=True)]
    else:
        with pytest.raises(InputError):
            at_one_meter(near, on_axis=on_axis)
    told: list[Any] = []
    for takes in made:
        one = takes[0]
        told.append([one.fundamental_db, one.harmonic_db, one.noise_db, one.valid, one.distance_m, one.place])
        told[-1] += [takes[1].fundamental_db, _reference(one)]
    stands(NAME, f"one meter {seed}", told)


def test_near_a_cone() -> None:
    """a / 4 or a / 2 over sqrt(1 + (d/a)^2) - d/a (Keele 1974)."""
    for radius in (0.03, 0.1):
        for distance in (0.0, 0.005, 0.02):
            gap = np.sqrt(1 + (distance / radius) ** 2) - distance / radius
            wanted = 20 * np.log10(radius / np.array([4.0, 2.0]) / gap)
            assert near_to_one_meter_db(radius, distance) == pytest.approx(wanted[0])
            assert near_to_one_meter_db(radius, distance, full_space=False) == pytest.approx(wanted[1])
    for radius, distance in ((0.0, 0.01), (-1.0, 0.01), (0.05, -0.001), (np.inf, 0.0), (0.1, np.nan)):
        with pytest.raises(InputError):
            near_to_one_meter_db(radius, distance)
    curve = Curve.of("k@2v", "n", AXIS, np.linspace(-60.0, 0.0, len(AXIS)), u=0.5, u_common=0.2)
    percent = in_percent(curve)
    assert percent.values == pytest.approx(100 * 10 ** (curve.values / 20))
    assert percent.u == pytest.approx(percent.values * 0.5 * np.log(10) / 20)
    assert percent.u_common == pytest.approx(percent.values * 0.2 * np.log(10) / 20)
    assert (percent.key, in_percent(replace(curve, key="k")).key) == ("k_percent@2v", "k_percent")
    assert (level_key(2.83), figure_at("k", 10.0)) == ("2.83v", "k@10v")


def test_takes_of_one_series() -> None:
    first, second, third = series(np.random.default_rng(93), levels=3)
    again = replace(first, take="again")
    assert [one.take for one in level_series([third, first, again, second])] == [first.take, second.take, third.take]
    assert len(level_series([first, replace(second, distance_m=1.0 + 0.5e-6)])) == 2
    others = [
        replace(second, distance_m=1.0 + 3e-6),
        replace(second, place="near-field"),
        replace(second, orders=(2, 3, 4, 6)),
    ]
    others += [replace(second, axis=FrequencyAxis(AXIS.hz * 1.01))]
    for other in others:
        with pytest.raises(InputError):
            level_series([first, other])
    with pytest.raises(InputError):
        level_series([])
    told: list[Any] = [_reference(replace(first, distance_m=far, place=place)) for far in (1.0, 1.1, 0.5) for place in
            ("far-field", "near-field")]  # fmt: skip
    rows = [np.arange(len(AXIS)) == 4, np.zeros(len(AXIS), dtype=bool), AXIS.hz < 800.0]
    values = np.arange(6.0) * 10
    held = [_held(values, np.isin(np.arange(6), there)) for there in ((), (0,), (5,), (2,), (1, 4), (0, 5))]
    stands(NAME, "series", [told, [_last_hz(first, one) for one in rows], held])


def _of_tones(reading: MultitoneReading, **facts: Any) -> list[object]:
    one = multitone_curves(reading, **facts)
    curves = {curve.key: curve for curve in (one.tones, one.residue, one.relative)}
    noise = None if one.noise is None else of_curve(one.noise)
    return [
        one.drive_v,
        one.crest_db,
        one.total_db,
        of_curves(curves),
        noise,
        of_figure(one.number),
        one.number.lineage,
    ]


@pytest.mark.parametrize("seed", range(10))
def test_multitones_of_a_population(seed: int) -> None:
    random = np.random.default_rng([94, seed])
    hiss = (0.01, 0.05, 0.2, 0.5, 1.0, None)[seed % 6]
    many = [
        multitone(random, volts, noise=hiss, distance_m=1.0 + seed % 3, periods=1 + seed % 2) for volts in (2.0, 8.0)
    ]
    common = common_bands(many)
    told: list[Any] = [common, [clear_bands(one) for one in many]]
    told += [_of_tones(many[0]), _of_tones(many[0], in_room=True, lineage=("s",))]
    told += [of_figure(multitone_curves(one, common=common, in_room=seed % 2 == 0).number) for one in many]
    stands(TONES, f"multitones {seed}", told)


def test_how_much_noise_may_hide() -> None:
    """A quarter of what is seen, in steps; and clear by 6 dB, in steps."""
    random = np.random.default_rng(95)
    base = multitone(random, 3.0)
    told: list[Any] = []
    for share in (0.2, 0.23, 0.245, 0.255, 0.27, 0.3):
        lines = base.lines
        residue = lines.residue.copy()
        seen = float(residue[4:].sum() * 0.99)
        residue[:4] = share * seen / 4
        noise = residue * 0.01
        noise[:4] = residue[:4] * 0.5
        one = replace(base, lines=replace(lines, residue=residue, noise=noise))
        told.append(of_figure(multitone_curves(one).number))
    for ratio in (3.9, 3.97, 3.99, 4.0, 4.4, 5.0):
        told.append(
            [int(clear_bands(replace(base, lines=replace(base.lines, noise=base.lines.residue / ratio))).sum())]
        )
    none = replace(base, lines=replace(base.lines, noise=np.zeros(28)))
    told += [_of_tones(none, common=np.arange(28) > 3), _of_tones(none, common=np.zeros(28, dtype=bool))]
    told += [
        of_figure(multitone_curves(replace(none, lines=replace(none.lines, noise=None, periods=n))).number)
        for n in (1, 2)
    ]
    quiet = replace(base, lines=replace(base.lines, noise=base.lines.residue.copy()))
    told += [_of_tones(quiet), [common_bands([]), common_bands([quiet]), common_bands([quiet, base])]]
    shifted = replace(base, lines=replace(base.lines, frequency_hz=base.lines.frequency_hz * 1.002))
    nearly = replace(base, lines=replace(base.lines, frequency_hz=base.lines.frequency_hz * 1.00105))
    near = replace(base, lines=replace(base.lines, frequency_hz=base.lines.frequency_hz * 1.0009))
    told += [[common_bands([base, shifted]), common_bands([base, nearly]), common_bands([base, near])]]
    for drift in (0.0, 0.9e-9, 1.05e-9, -3e-6):
        one = replace(base, lines=replace(base.lines, drift=drift))
        told.append(of_figure(multitone_curves(one).number)[-2])
    stands(TONES, "noise", told)


@pytest.mark.parametrize("seed", range(6))
def test_two_tones_of_a_population(seed: int) -> None:
    random = np.random.default_rng([96, seed])
    told: list[Any] = []
    for volts in (1.0, 4.0, 16.0):
        one = two_tones(random, volts, distance_m=(1.0, 2.0)[seed % 2])
        told.append([[of_figure(each), each.lineage] for each in intermodulation(one, lineage=("a",)).values()])
        told.append(of_figures(intermodulation(replace(one, noise_pa=0.0))))
        edge = float(one.lines_pa[1] + one.lines_pa[2]) / 2.0 / 10 ** (6.0 / 20)
        told += [of_figures(intermodulation(replace(one, noise_pa=edge * part))) for part in (0.95, 0.999, 1.001, 1.07)]
    stands(TONES, f"two tones {seed}", told)
