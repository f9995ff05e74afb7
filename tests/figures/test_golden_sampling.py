"""Curves on other frequencies, smoothing, bridges, means over a band and the registry, over a population of curves.

The values in tests/golden/figures/sampling.json are the program's own (frozen). Means of energies and the level for
1 W are held against their formulas (handbook).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from figure_worlds import AXIS, curve_of, loudspeaker, of_curve, of_figure, off_octaves

from earwitness.figures.registry import FIGURES, base_key, decimals, figure_infos, info_of, place_of
from earwitness.figures.sampling import (
    _off_line,
    band_grid,
    bridged,
    covers,
    not_covered,
    sampled,
    smoothed,
    smoothing_rows,
)
from earwitness.figures.sensitivity import (
    band_level,
    band_levels_db,
    band_means,
    mean_level_db,
    one_watt_level_db,
)
from earwitness.figures.uncertainty import exact
from earwitness.quantities import Curve, Figure, FrequencyAxis
from golden_values import stands

NAME = "figures/sampling"


@pytest.mark.parametrize("seed", range(8))
def test_of_a_population(seed: int) -> None:
    random = np.random.default_rng([41, seed])
    curve = loudspeaker(random, gaps=(0, 2, 4, 9)[seed % 4])
    hz = np.sort(2.0 ** random.uniform(4.0, 14.6, 60))
    known = AXIS.hz[[0, 5, -1]]
    at = np.concatenate([hz, known])
    # What is not valid may hold any number: that it is left out shows only where it stands out.
    odd = replace(curve, values=np.where(curve.valid, curve.values, 300.0))
    told = {
        "sampled": sampled(odd, at),
        "covers": [covers(curve, band_grid(low, 2.0 * low)) for low in (30.0, 100.0, 300.0, 3000.0, 9000.0, 12_000.0)],
        "smoothed": [of_curve(smoothed(odd, n)) for n in (1, 3, 12)],
        "rows": [smoothing_rows(odd, n) for n in (1, 6, 24)],
        "off a line": [_off_line(curve, first, first + more) for first, more in ((20, 0), (101, 2), (180, 3))],
    }
    stands(NAME, f"curve {seed}", told)


@pytest.mark.parametrize("seed", range(6))
def test_what_is_bridged(seed: int) -> None:
    random = np.random.default_rng([42, seed])
    found = []
    for per_octave in (12, 24, 48, 50):
        axis = off_octaves(50.0, 16_000.0, per_octave)
        curve = loudspeaker(random, axis)
        for count in (1, 2, 3, 4, 5, 7):
            valid = np.ones(len(axis), dtype=bool)
            for place in range(count):
                wide = int(random.integers(1, max(2, round(per_octave * 0.19))))
                first = 9 + place * (len(axis) // 8)
                valid[first : first + wide] = False
            valid[-3:] = seed % 2 == 0
            valid[:2] = seed % 3 == 0
            one = replace(curve, valid=valid)
            whole, gaps = bridged(one)
            found.append([whole.values, whole.valid, gaps, [gap.sentence("on axis") for gap in gaps[:1]]])
    stands(NAME, f"bridges {seed}", found)


def test_edges_of_what_is_bridged() -> None:
    """A sixth of an octave, and half an octave in all, from below to above in steps of 2 %."""
    found = []
    for share in np.arange(0.9, 1.13, 0.02):
        x = np.arange(0.0, 5.0, 1 / 24)
        one = x[(x < 1.0) | (x > 1.0 + share / 6 - 1e-9)]
        gap = int(np.searchsorted(one, 1.0))
        one = np.insert(one, gap, [1.0 - 1 / 24 + 0.5 * share / 6])
        # The last point before and the first behind the invalid one lie share / 6 apart.
        one[gap + 1] = one[gap - 1] + share / 6
        valid = np.ones(one.size, dtype=bool)
        valid[gap] = False
        curve = curve_of(80 + 4 * np.sin(7 * one), FrequencyAxis(100.0 * 2.0**one), valid=valid)
        found.append([len(bridged(curve)[1])])
        # Four gaps, share / 8 each.
        steps = np.tile([0.0, share / 16, share / 8, 0.3, 0.45], 4) + np.repeat(np.arange(4), 5) * 0.6
        four = curve_of(
            80 + 4 * np.sin(7 * steps), FrequencyAxis(100.0 * 2.0**steps), valid=np.tile([True, False, *3 * [True]], 4)
        )
        found[-1] += [len(bridged(four)[1])]
    stands(NAME, "edges of bridges", found)


def test_an_end_of_the_axis_holds_to_a_billionth_of_an_octave() -> None:
    curve = curve_of(np.linspace(80.0, 90.0, len(AXIS)))
    for sign, end in ((-1, AXIS.hz[0]), (1, AXIS.hz[-1])):
        for octaves, inside in ((0.95e-9, True), (1.05e-9, False)):
            assert covers(curve, np.array([end * 2.0 ** (sign * octaves)])) is inside
    cut = replace(curve, valid=np.arange(len(AXIS)) != 100)
    # Next to a point that is not valid, a millionth of the step counts.
    x = np.log2(AXIS.hz)
    for part, inside in ((0.95e-6, True), (1.05e-6, False)):
        assert covers(cut, np.array([2.0 ** (x[99] + part * (x[100] - x[99]))])) is inside


def test_special_curves_are_smoothed() -> None:
    nowhere = curve_of(np.linspace(80.0, 90.0, len(AXIS)), valid=np.zeros(len(AXIS), dtype=bool))
    once = replace(nowhere, valid=np.arange(len(AXIS)) == 30)
    twice = replace(nowhere, valid=np.isin(np.arange(len(AXIS)), (30, 50)))
    deep = curve_of(np.where(np.arange(len(AXIS)) > 100, -3200.0, 0.0))
    many = (nowhere, once, twice, deep)
    stands(NAME, "special", [[of_curve(smoothed(one, 3)), smoothing_rows(one, 3), bridged(one)[1]] for one in many])
    short = curve_of(np.array([80.0, 86.0, 83.0]), FrequencyAxis(np.array([100.0, 200.0, 400.0])))
    stands(NAME, "three points", [of_curve(smoothed(short, n)) for n in (1, 2)] + [smoothing_rows(short, 1)])


def test_a_gap_without_surroundings_is_as_uncertain_as_its_step() -> None:
    axis = FrequencyAxis(1000.0 * 2.0 ** (np.arange(3) / 24))
    curve = curve_of(np.array([80.0, 0.0, 84.0]), axis, valid=np.array([True, False, True]))
    assert bridged(curve)[1][0].u_db == 5.0
    assert _off_line(curve, 1, 1) == 5.0


def test_reasons() -> None:
    whole = curve_of(np.zeros(len(AXIS)))
    hz = AXIS.hz
    cuts = [whole, *(replace(whole, valid=valid) for valid in (hz > 200.0, hz < 5000.0, hz < 0.0, hz != hz[90]))]
    ends = (float(hz[0]), float(hz[-1]))
    bands = ((100.0, 10_000.0), (30.0, 1250.0), ends, (ends[0] * 0.99, ends[1]), (ends[0], ends[1] * 1.01))
    stands(NAME, "reasons", [not_covered(one, *band) for one in cuts for band in bands])
    stands(NAME, "grids", [band_grid(*band) for band in (*bands, (100.0, 200.0), (100.0, 199.999), (70.0, 71.0))])


def _figures_of(curve: Curve) -> list[object]:
    bands = ((300.0, 3000.0), (40.0, 80.0), (100.0, 12_000.0))
    return [
        of_figure(band_level(curve)),
        *(of_figure(band_level(curve, band_hz=band, key="k")) for band in bands[1:]),
        band_means(curve),
        *(mean_level_db(curve, band) for band in bands),
        band_level(curve).method,
        # Without draws nothing takes the place of the uncertainty that it begins with.
        of_figure(band_level(exact(curve))),
        mean_level_db(curve),
    ]


@pytest.mark.parametrize("seed", range(6))
def test_means_over_a_band(seed: int) -> None:
    random = np.random.default_rng([43, seed])
    stands(NAME, f"band {seed}", _figures_of(loudspeaker(random, gaps=(0, 0, 1, 2, 3, 6)[seed], caused=seed % 2 == 1)))


def test_the_mean_of_energies_and_a_watt_are_their_formulas() -> None:
    """10 lg of the mean of 10^(L/10), and 10 lg(Z / 8) (handbook)."""
    level = np.random.default_rng(44).uniform(60.0, 95.0, (5, 11))
    assert band_levels_db(level) == pytest.approx(10 * np.log10(np.mean(10 ** (level / 10), axis=1)), abs=1e-12)
    for ohm in (2.0, 4.0, 6.0, 8.0, 16.0):
        assert one_watt_level_db(86.0, rated_impedance_ohm=ohm) == pytest.approx(86.0 + 10 * np.log10(ohm / 8))


def test_decimals_and_places() -> None:
    sizes = (None, 0.0, -0.0, 0.009, 0.01, 0.011, 0.09, 0.1, 0.11, 0.5, 0.99, 1.0, 1.01, 9.9, 10.0, 12.0, 400.0)
    told = {}
    for key in ("sensitivity", "f3", "in_room_slope", "impedance_minimum", "distortion_largest@2.83v"):
        figures = [Figure(key, None, None, "", None, "", reason="r")]
        figures += [Figure(key, 1.0, size, "", None, "") for size in sizes if size is not None]
        told[key] = [decimals(one) for one in figures]
    places = ("a", "a@2.83v", "a@86db", "a@63hz", "a@left", "a@7.5hz", "a@b@c", "@1v")
    stands(NAME, "registry", [told, [[place_of(one), base_key(one)] for one in places]])
    assert info_of("f3@x") is FIGURES["f3"]
    assert info_of("nothing") is None
    info = FIGURES["f3"]
    assert info.asked(("a",), (1.0, 2.0)).key == "f3"
    assert info.asked(("a",), (1.0, 2.0), at="5v").key == "f3@5v"
    assert info.refused("why", ("b",)).lineage == ("b",)
    rows = [one for group in ("response", "load", "seats", "bass", "powered") for one in figure_infos(group)]
    stands(NAME, "rows", [[one.key, one.decimals, one.is_signed, one.better, one.curves] for one in rows])
