"""Near field and far field made one: frozen values of the splice over drawn levels, delays, slopes and polarities.

The values are the program's own ("frozen"). Closed cases: raised cosines, straight lines fitted by numpy.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from earwitness.reduce import splice as splicing
from earwitness.reduce.splice import LevelPrior, SpliceResult, align, blend_weight, refusal, splice
from golden_values import stands

HZ = np.geomspace(40.0, 2500.0, 140)


def whole(seed: int, directions: int = 3) -> NDArray[Any]:
    rng = np.random.default_rng(seed)
    s = 1j * HZ / rng.uniform(40, 90)
    level = np.cumsum(rng.normal(0.0, 0.05, (directions, HZ.size)), axis=1)
    late = 5e-5 * np.arange(directions)[:, None]
    return np.asarray(0.3 * s**2 / (1 + 1.2 * s + s**2) * 10 ** (level / 20) * np.exp(-2j * np.pi * HZ * late))


def prior(
    near: float = 0.5, far: float = 0.2, *, chain: float = 0.15, known: bool = True, may_turn: bool = True
) -> LevelPrior:
    tilt = np.linspace(0.8, 1.2, HZ.size)
    return LevelPrior(chain, near * tilt, far * tilt[::-1], known, may_turn)


def joined(
    far: NDArray[Any], near: NDArray[Any], levels: LevelPrior, band: tuple[float, float] = (200.0, 600.0), row: int = 0
) -> Any:
    u_far = np.linspace(0.1, 0.4, far.size).reshape(far.shape)
    found = splice(HZ, far, near, *band, u_far, np.linspace(0.5, 0.1, HZ.size), row, levels)
    if isinstance(found, SpliceResult):
        return [found.pressure, found.u_db, found.causes, found.share, found.report]
    return found


@pytest.mark.parametrize("seed", range(6))
def test_drawn_pairs(seed: int) -> None:
    rng = np.random.default_rng(100 + seed)
    one = whole(seed)
    gain, late, tilt = rng.uniform(-2.5, 2.5), rng.uniform(-1e-3, 1e-3), rng.uniform(-1.5, 1.5)
    rough = 10 ** (rng.normal(0, 0.3, one.shape) / 20)
    near = one * rough * 10 ** ((gain + tilt * np.log2(HZ / 350)) / 20) * np.exp(2j * np.pi * HZ * late)
    for known in (True, False):
        for turned in (1.0, -1.0):
            levels = prior(rng.uniform(0.05, 1.0), rng.uniform(0.05, 1.0), known=known)
            stands("reduce/splice", f"pair {seed} {known} {turned}", joined(one, turned * near, levels, row=seed % 3))


def test_limits_of_what_can_be_one_loudspeaker() -> None:
    one = whole(1)
    found: list[Any] = []
    for known in (True, False):
        for may_turn in (True, False):
            for inverted in (True, False):
                for gain in (-6.3, -5.9, -3.2, -2.9, 0.0, 2.9, 3.1, 5.9, 6.1):
                    levels = prior(0.02, 0.02, known=known, may_turn=may_turn)
                    for slope in (2.95, 3.05, -2.9, -3.1) if gain == 0.0 else (0.0,):
                        told = splicing._impossible(levels, 0.3, gain, slope, inverted=inverted, band_hz=(200.0, 400.0))
                        found.append(told)
                found.append(
                    [
                        splicing._impossible(prior(known=known), u, 6.5, 0.0, inverted=False, band_hz=(200.0, 400.0))
                        for u in (2.1, 2.16, 2.18, 3.0)
                    ]
                )
    # Rough, so that one band is the best for all processors.
    rough = 10 ** (np.random.default_rng(9).normal(0.0, 0.02, HZ.size) / 20)
    for tilt in (2.8, 3.2, -3.2):
        found.append(joined(one, one * rough * 10 ** (tilt * np.log2(HZ / 350) / 20), prior()))
    stands("reduce/splice", "limits", found)


def test_what_is_refused_before() -> None:
    one, found = whole(2), []
    for high in (240.0, 251.0, 251.9, 252.1, 260.0, 280.0):
        found.append(refusal(HZ, one, one, 200.0, high))
    for count in (3, 4, 5):
        low = HZ[50]
        sparse = np.append(HZ[:50:10], np.linspace(low, 1.3 * low, count))
        found.append(refusal(sparse, one[:, : sparse.size], one[:, : sparse.size], low, 1.3 * low))
    for place in (60, 100):
        for value in (0.0, np.nan, np.inf):
            broken = one.copy()
            broken[1, place] = value
            found += [refusal(HZ, broken, one, 200.0, 400.0), refusal(HZ, one, broken, 200.0, 400.0)]
    stands("reduce/splice", "refused", found)
    with pytest.raises(ValueError, match="same directions"):
        splice(HZ, one, one[:2], 200.0, 600.0, np.ones(one.shape), np.ones(HZ.size), 0, prior())
    with pytest.raises(ValueError, match="same directions"):
        splice(HZ, one, one, 200.0, 600.0, np.ones((2, HZ.size)), np.ones(HZ.size), 0, prior())
    with pytest.raises(ValueError, match="same directions"):
        splice(HZ[1:], one, one, 200.0, 600.0, np.ones(one.shape), np.ones(HZ.size - 1), 0, prior())
    with pytest.raises(ValueError, match="same directions"):
        splice(HZ, one, one, 200.0, 600.0, np.ones(one.shape), np.ones(3), 0, prior())


def test_where_both_agree_best() -> None:
    rng = np.random.default_rng(3)
    found: list[Any] = []
    for n in range(30):
        size = 0.6 * np.abs(np.log2(HZ / rng.uniform(150, 700))) + rng.uniform(0.0, 0.2)
        ratio = size * np.where(np.arange(HZ.size) % 2, 1.0, -1.0) + rng.normal(0, 0.05, HZ.size)
        low = rng.uniform(100, 300)
        found.append(splicing._region(HZ, ratio, low, low * 2 ** rng.uniform(0.34, 2.4)))
        assert found[-1][0] >= low * (1 - 1e-9), n
    sparse = np.array([100.0, 180.0, 300.0, 500.0])
    found.append(splicing._region(sparse, np.zeros(4), 100.0, 500.0))
    stands("reduce/splice", "regions", found)


def test_gain_slope_and_scatter_are_a_straight_line() -> None:
    rng = np.random.default_rng(4)
    ratio = rng.normal(size=HZ.size)
    gain, slope, spread = splicing._match(HZ, ratio)
    line = np.polyfit(np.log2(HZ), ratio, 1)
    assert gain == pytest.approx(ratio.mean())
    assert slope == pytest.approx(line[0])
    assert spread == pytest.approx(np.std(ratio - np.polyval(line, np.log2(HZ))))


def test_alignments() -> None:
    rng = np.random.default_rng(5)
    found: list[Any] = []
    for band in ((200.0, 600.0), (300.0, 380.0), (100.0, 1500.0)):
        some = HZ[(band[0] < HZ) & (band[1] > HZ)]
        far = np.exp(1j * rng.normal(0, 0.2, (9, some.size)))
        late = np.array([0.0, 1e-4, -1e-4, 7e-4, -2e-3, 4.9e-3, -4.9e-3, 6e-3, 1.4e-3])[:, None]
        sign = np.where(np.arange(9) % 2, -1.0, 1.0)[:, None]
        near = sign * far * np.exp(2j * np.pi * some * late) * rng.uniform(0.5, 2.0, (9, 1))
        found.append(
            [align(some, far, near), align(some, far, near, about_s=0.0), align(some, far, near, about_s=1e-3)]
        )
    stands("reduce/splice", "alignments", found)


def test_blends() -> None:
    rng = np.random.default_rng(6)
    one = whole(7, 2)
    found: list[Any] = []
    for turn in (0.0, 1.0, 3.0, 6.0, -4.0, 9.0):
        near = one * np.exp(1j * turn * (HZ / 400)) * 10 ** (rng.normal(0, 1, one.shape) / 20)
        found.append(splicing._blend(HZ, one, near, 200.0, 600.0))
        found.append(splicing._place_db(hz=HZ, far=one, matched=near, pressure=found[-1], low_hz=200.0, high_hz=600.0))
    silent = one.copy()
    silent[0, 70:90] = 0.0
    found += [splicing._blend(HZ, silent, one, 200.0, 600.0), splicing._blend(HZ, one, silent, 200.0, 600.0)]
    found.append(splicing._blend(HZ[[0, -1]], one[:, [0, -1]], 2 * one[:, [0, -1]], 200.0, 600.0))
    stands("reduce/splice", "blends", found)
    assert np.allclose(blend_weight(np.array([100.0, 200.0, 400.0]), 100.0, 400.0), [0.0, 0.5, 1.0])


def test_uncertainties_count_where_they_have_weight() -> None:
    u_far, u_near = np.full((2, HZ.size), 0.3), np.full(HZ.size, 0.7)
    u_far[:, HZ < 150], u_near[HZ > 800] = np.inf, np.nan
    found = splicing._own_u_db(HZ, 200.0, 600.0, u_far, u_near)
    weight = blend_weight(HZ, 200.0, 600.0)
    assert np.allclose(found, weight * 0.3 + (1 - weight) * 0.7)


def test_directions_keep_a_little_of_their_own() -> None:
    one = whole(8, 5)
    own_db = np.array([0.0, 0.3, 0.8, -0.4, -1.0])[:, None]
    near = one * 10 ** (-own_db / 20) * np.exp(2j * np.pi * HZ * np.array([0.0, 1e-4, -5e-4, 2e-3, 0.0])[:, None])
    near[4] *= -1
    shared, inside = splicing._inside(HZ, 200.0, 600.0), splicing._inside(HZ, 250.0, 500.0)
    found: list[Any] = [
        splicing._per_direction(HZ, one, near, shared, inside, low_hz=250.0, delay_s=late, on_axis_row=row)
        for late, row in ((0.0, 0), (3e-4, 2))
    ]
    stands("reduce/splice", "directions", found)


def test_reports() -> None:
    found: list[Any] = []
    for gain in (-1.0, 0.0, 1.0):
        for inverted in (True, False):
            found.append(splicing._report(200.0, 400.0, gain, 0.3, -1.2, 0.25, 1e-4, inverted))
    stands("reduce/splice", "reports", found)
