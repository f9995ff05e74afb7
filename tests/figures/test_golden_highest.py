"""Compression, highest clean levels, bursts, levels compared and the reading of a series, over populations of takes.

The values in tests/golden/figures/highest.json, equal.json and series.json are the program's own (frozen). The
high-pass and the level at a seat are held against their formulas.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from closed_form_fields import bare_measurement, response
from figure_worlds import curve_of, of_curve, of_curves, of_figure, of_figures
from level_worlds import made_take
from take_worlds import AXIS, burst, multitone, noise_run, series, two_tones

from earwitness.dsp.signals import BurstReading
from earwitness.errors import InputError
from earwitness.figures.distortion import distortion
from earwitness.figures.equal_level import (
    Played,
    _compression,
    _pair,
    _pairs,
    _tones,
    at_level,
    equal_level_figures,
)
from earwitness.figures.highest_level import (
    CleanLevel,
    CleanLimits,
    Compression,
    _crossing,
    _level_at,
    _snr_db,
    at_seat,
    burst_level,
    clean_level_figure,
    compression,
    compression_figures,
    high_pass_db,
    highest_clean_level,
    judge_burst,
    long_term,
    long_term_figure,
    mean_burst_level,
)
from earwitness.figures.level_series import LevelSeriesReading, level_series_reading, placed_series
from earwitness.quantities import Curve, Figure, Harmonics, Measurement, Reading, from_orbit
from earwitness.quantities.arrays import FloatArray
from earwitness.standards.cta2010 import MASK_A
from golden_values import stands

NAME, EQUAL, SERIES = "figures/highest", "figures/equal", "figures/series"


def _squeezed(found: Compression) -> list[object]:
    curves = [np.array([each.values, each.u, each.u_common, each.valid]) for each in (*found.total, *found.steps)]
    names = [[each.key, each.name, each.reference, each.lineage] for each in (*found.total[:1], *found.steps[-1:])]
    return [found.drive_v, curves, names, None if found.drift is None else of_curve(found.drift), found.caveats]


def _clean(found: CleanLevel) -> list[object]:
    return [
        of_curve(found.level),
        found.bound,
        found.reason,
        found.drive_db,
        found.steps_db,
        found.mean_db,
        found.limits,
    ]


@pytest.mark.parametrize("seed", range(8))
def test_of_a_population(seed: int) -> None:
    random = np.random.default_rng([101, seed])
    takes = series(random, levels=3 + seed % 3, holes=seed % 2 == 1)
    again = replace(takes[0], take="again", fundamental_db=takes[0].fundamental_db - random.uniform(0.05, 0.4))
    told: list[Any] = [_squeezed(compression(takes)), _snr_db(takes[0])]
    order = tuple(one.take for one in takes)
    heat = {one.take: 20.0 + 0.8 * row for row, one in enumerate(takes)}
    full = compression([*takes, again], recorded=(*order, "again"), temperature_c=heat, recovery_s=30.0, lineage=("s",))
    told += [_squeezed(full), of_figures(compression_figures(full))]
    told += [of_figures(compression_figures(full, band_hz=(100.0, 1000.0)))]
    for limits in (
        None,
        CleanLimits(percent=1.0, bass_percent=3.0, compression_db=1.0),
        CleanLimits(compression_db=0.3),
    ):
        clean = highest_clean_level(takes, limits=limits, u_level_db=0.3, lineage=("s",))
        told.append(_clean(clean))
        told.append([of_figure(clean_level_figure(clean)), of_figure(clean_level_figure(clean, high_pass_hz=80.0))])
        told.append(
            [of_figure(clean_level_figure(clean, band_hz=(200.0, 2000.0), filter_db=-np.linspace(0, 9, len(AXIS))))]
        )
        told.append([of_figure(clean_level_figure(clean, high_pass_hz=50.0, filter_db=-np.ones(len(AXIS))))])
        told.append([of_figure(at_seat(clean_level_figure(clean), 3.0, loudspeakers=2)), clean.limits.words()])
    told.append(clean_level_figure(clean).method)
    stands(NAME, f"series {seed}", told)


def test_in_which_order_they_were_recorded() -> None:
    """A quieter take after a louder one, drift, warming air and a pause: each is told, or not."""
    takes = series(np.random.default_rng(102), levels=3)
    names = [one.take for one in takes]
    again = replace(takes[1], take="again", fundamental_db=takes[1].fundamental_db + 0.13)
    lost = replace(again, valid=np.zeros_like(again.valid))
    told: list[Any] = []
    for recorded in ((), names, names[::-1], [names[0], names[2], names[1]]):
        told.append(compression(takes, recorded=recorded).caveats)
        told.append(compression([*takes, again], recorded=[*recorded, "again"] if recorded else ()).caveats)
        told.append(compression([again, *takes], recorded=["again", *recorded]).drift is not None)
    told.append(compression([replace(takes[1], valid=lost.valid), takes[0], lost]).caveats)
    for warm in (0.0, 1.4, 1.5, 1.51, 1.6, 1.7, -3.0):
        told.append(compression(takes, temperature_c={names[0]: 20.0, names[2]: 20.0 + warm}).caveats)
    told.append(compression(takes, temperature_c={names[0]: 20.0}, recovery_s=12.5).caveats)
    told.append(_squeezed(compression(takes, u_voltage_db=0.2)))
    with pytest.raises(InputError):
        compression(takes[:1])
    stands(NAME, "order", told)


def test_a_limit_crossed_at_a_grazing_angle_is_known_to_6_db_at_most() -> None:
    takes = series(np.random.default_rng(113), levels=4)
    told: list[Any] = []
    for u in (0.2, 0.5, 0.57, 0.62, 0.65, 1.0):
        for rise in (0.3, 0.6, 1.4):
            many = []
            for row, one in enumerate(takes):
                flat = np.full(len(AXIS), -31.5 + rise * row)
                made = distortion(one)
                total = replace(made.total, values=flat, u=np.full(len(AXIS), u), valid=np.ones(len(AXIS), dtype=bool))
                many.append(replace(made, total=total, at_most_db=flat, known=np.ones(len(AXIS), dtype=bool)))
            found = highest_clean_level(takes, distortions=many)
            told.append([found.level.u[[30, 60, 90]].tolist(), found.bound[[30, 60, 90]].tolist()])
    stands(NAME, "grazing", told)


def test_signal_over_noise_of_twenty_decibels() -> None:
    hz = AXIS.hz
    told: list[Any] = []
    for db in np.arange(18.0, 24.0, 0.5):
        takes = [made_take(volts, np.full(hz.size, 80.0 + gain), {2: -20.0}, noise_db=-db, axis=AXIS) for volts, gain in
                 ((1.0, 0.0), (10.0, 19.5))]  # fmt: skip
        found = compression(takes)
        told.append([found.total[0].valid.sum(), float(found.total[0].u[30])])
        known = [replace(one, level_known=hz > 200.0) for one in takes]
        told.append([compression(known).total[0].valid.sum(), float(_snr_db(takes[0])[50])])
    odd = replace(takes[0], orders=(0, 2, 3, 4))
    told.append([float(_snr_db(odd)[20]), float(_snr_db(replace(odd, orders=(3, 4, 5, 6)))[20])])
    stands(NAME, "noise", np.array(told))


@pytest.mark.parametrize("seed", range(5))
def test_where_a_limit_is_crossed(seed: int) -> None:
    random = np.random.default_rng([103, seed])
    over = np.cumsum(random.normal(1.0, 2.5, (4, 80)), axis=0) - 4.0
    over[:, :8] = np.round(over[:, :8])
    told = random.random((4, 80)) > 0.25
    volts = np.array([0.0, 6.1, 11.9, 18.3])
    drive = np.concatenate([random.uniform(-3.0, 21.0, 76), volts])
    level = 80.0 + volts[:, None] + random.normal(0.0, 0.3, (4, 80))
    stands(NAME, f"crossing {seed}", [_crossing(over, told, volts), _level_at(drive, volts, level)])


def _cleaned(drive_db: FloatArray, bound: int = 0, *, valid: object = True, reason: int = 1) -> CleanLevel:
    hz = AXIS.hz
    inside = np.zeros(hz.size, dtype=bool) | np.asarray(valid)
    level = Curve.of("highest_clean_level", "n", AXIS, 80.0 + drive_db, inside, u=0.4, lineage=("s",))
    steps = np.array([0.0, 10.0, 20.0])
    return CleanLevel(
        level, np.full(hz.size, bound), np.full(hz.size, reason), drive_db, steps, steps * 0.97 + 82.0, CleanLimits()
    )


def test_the_figure_of_a_clean_level() -> None:
    hz = AXIS.hz
    rising = 4.0 + 2.0 * np.log2(hz / 20.0)
    told: list[Any] = []
    for bound in (0, 1, -1):
        one = _cleaned(rising, bound)
        told += [clean_level_figure(one), clean_level_figure(one, high_pass_hz=80.0)]
        told += [clean_level_figure(_cleaned(rising + 18.0, bound, reason=2))]
    mixed = replace(_cleaned(rising), bound=np.where(hz > 1000.0, 1, 0))
    told += [clean_level_figure(mixed), clean_level_figure(replace(mixed, bound=np.where(hz > 1000.0, 0, 1)))]
    told += [clean_level_figure(replace(mixed, bound=np.where(hz > 1000.0, 1, -1)))]
    for low, high in ((0.0, 9000.0), (51.0, 2e4), (52.0, 2e4), (120.0, 2e4), (160.0, 2e4), (190.0, 2e4), (0.0, 2000.0)):
        told.append(clean_level_figure(_cleaned(rising, valid=(hz > low) & (hz < high))))
    told.append(clean_level_figure(_cleaned(rising, valid=False)))
    told.append(clean_level_figure(_cleaned(rising), band_hz=(30_000.0, 40_000.0)))
    # Four fifths of a band of 100 points.
    for low in (18.0, 20.0, 22.0, 24.0, 27.0, 30.0):
        part = (hz >= 25.0 * 2 ** (low / 12.0)) & (hz <= 9000.0)
        told.append(clean_level_figure(_cleaned(rising, valid=part), band_hz=(25.0, 9000.0)))
    stands(NAME, "clean figures", [of_figure(one) for one in told])
    whole = clean_level_figure(_cleaned(rising))
    assert at_seat(whole, 2.0).value == pytest.approx((whole.value or 0.0) - 20 * np.log10(2.0))
    two = at_seat(whole, 4.0, loudspeakers=3)
    assert two.value == pytest.approx((whole.value or 0.0) - 20 * np.log10(4.0) + 10 * np.log10(3.0))
    stands(NAME, "seats", [of_figure(two), of_figure(at_seat(told[-9], 3.0)), of_figure(at_seat(told[-7], 3.0))])
    for distance, count in ((0.0, 1), (-1.0, 1), (np.inf, 1), (1.0, 0)):
        with pytest.raises(InputError):
            at_seat(whole, distance, loudspeakers=count)
    assert at_seat(whole, 1e-3, loudspeakers=1).is_judged


def test_the_high_pass_is_a_butterworth_twice() -> None:
    """Linkwitz-Riley: |H|^2 of a Butterworth of half the order, squared (handbook)."""
    hz = np.array([10.0, 40.0, 80.0, 200.0, 3000.0])
    for corner, order in ((80.0, 4), (50.0, 8), (100.0, 2)):
        butterworth = 1 / (1 + (corner / hz) ** order)
        assert high_pass_db(hz, corner_hz=corner, order=order) == pytest.approx(20 * np.log10(butterworth))
    assert high_pass_db(hz) == pytest.approx(high_pass_db(hz, corner_hz=80.0, order=4))


def test_limits() -> None:
    """In dB over log frequency a straight line from 10 % at 50 Hz to 3 % at 200 Hz."""
    hz = np.array([20.0, 50.0, 100.0, 200.0, 5000.0])
    ends = 20 * np.log10([0.1, 0.03])
    assert CleanLimits().distortion_db(hz) == pytest.approx([ends[0], ends[0], ends.mean(), ends[1], ends[1]])
    bad = ({"percent": 0.0}, {"bass_percent": -1.0}, {"compression_db": 0.0}, {"bass_hz": 0.0}, {"full_hz": 50.0},
           {"full_hz": np.inf}, {"percent": np.inf}, {"bass_hz": 300.0}, {"compression_db": np.nan})  # fmt: skip
    for one in bad:
        with pytest.raises(InputError):
            CleanLimits(**one)
    assert CleanLimits(percent=1e-3, bass_hz=1e-3, full_hz=2e-3).percent == 1e-3
    stands(NAME, "words", [CleanLimits().words(), CleanLimits(5.0, 1.0, 60.0, 300.0, 2.0).words()])


@pytest.mark.parametrize("seed", range(5))
def test_noise_runs(seed: int) -> None:
    run = noise_run(np.random.default_rng([104, seed]), 8.0, lost=(0.0, 0.2, 0.45, 0.5, 0.8)[seed])
    told: list[Any] = [of_curve(long_term(run, lineage=("s",))), of_figure(long_term_figure(run))]
    told += [of_figure(long_term_figure(run, band_hz=(100.0, 1000.0)))]
    for share in (0.45, 0.5, 0.55):
        rows = np.flatnonzero((run.axis.hz >= 50.0) & (run.axis.hz <= 5000.0))
        valid = np.isin(np.arange(len(run.axis)), rows[: round(share * rows.size)])
        told += [of_figure(long_term_figure(replace(run, valid=valid)))]
    stands(NAME, f"noise run {seed}", told)


def test_which_band_of_a_compression_is_judged() -> None:
    """From nine tenths on; the mean weighs alike over log frequency."""
    hz = AXIS.hz
    told: list[Any] = []
    for share in (0.85, 0.88, 0.895, 0.91, 0.95, 1.0):
        inside = np.flatnonzero((hz >= 50.0) & (hz <= 5000.0))
        valid = np.ones(hz.size, dtype=bool)
        valid[inside[: round((1 - share) * inside.size)]] = False
        total = Curve.of("c@2v", "c", AXIS, np.sin(np.log2(hz)), valid, u=0.1, u_common=0.05)
        one = Compression((1.0, 2.0), (total,), (total,), None, ("a",))
        told.append(of_figures(compression_figures(one)))
    told.append(of_figures(compression_figures(replace(one, total=(replace(total, valid=hz > 1e6),)))))
    told.append(of_figures(compression_figures(one, band_hz=(3e4, 4e4))))
    stands(NAME, "share", told)


def _bursts(*edges: float, hz: float = 63.0) -> list[BurstReading]:
    """Rising peaks; the third harmonic stands so far from its limit, the others 20 dB under theirs."""
    orders = tuple(range(2, 10))
    made = []
    for step, edge in enumerate(edges):
        relative = np.array([MASK_A.limit_db(n) - 20.0 for n in orders])
        relative[1] = MASK_A.limit_db(3) + edge
        made.append(BurstReading(hz, 0.5 * 2.0**step, orders, relative, ()))
    return made


def test_bursts() -> None:
    told: list[Any] = []
    for edges in (
        (-5.0, -3.0, -1.0),
        (-5.0, -1.0, 2.0),
        (1.0, 2.0),
        (-1.0, 0.0),
        (-1.0, 1e-9),
        (-3.0, 1.0, -2.0),
        (-1.0,),
    ):
        one = _bursts(*edges)
        told.append(of_figure(burst_level(one[::-1], MASK_A, distance_m=2.0, lineage=("s",))))
        told.append(of_figure(burst_level(one, MASK_A, distance_m=0.5, noise_peak_pa=1e-3, u_db=0.7)))
        told.append([judge_burst(each, MASK_A) for each in one])
    for noise in np.array([0.97, 0.99, 1.01, 1.05, 1.2]) * 0.5 / 10 ** (46 / 20):
        told.append(of_figure(burst_level(_bursts(-1.0), MASK_A, distance_m=1.0, noise_peak_pa=float(noise))))
    stands(NAME, "bursts", told)
    for bursts, distance in (([], 1.0), (_bursts(-1.0) + _bursts(-1.0, hz=50.0), 1.0), (_bursts(-1.0), 0.0)):
        with pytest.raises(InputError):
            burst_level(bursts, MASK_A, distance_m=distance)
    with pytest.raises(InputError):
        judge_burst(BurstReading(63.0, 1.0, (), np.zeros(0), (2,)), MASK_A)


def test_means_of_bursts() -> None:
    def one(value: float | None, bound: str = "", band: tuple[float, float] | None = (40.0, 40.0)) -> Figure:
        u = None if value is None else 0.5 + value / 1000
        return Figure("burst_level@40hz", value, u, "dB", band, "", bound, reason="" if value is not None else "why")

    told: list[Any] = [
        mean_burst_level([]), mean_burst_level([one(None)]), mean_burst_level([one(100.0), one(None)]),
        mean_burst_level([one(100.0), one(106.0, band=(63.0, 63.0))]), mean_burst_level([one(99.0, "at least")]),
        mean_burst_level([one(99.0, "at least"), one(80.0)]),
        mean_burst_level([one(9.0, "at least"), one(80.0, "at most")]),
        mean_burst_level([one(99.0, band=None), one(80.0, band=(50.0, 51.0))]), mean_burst_level([one(1.0, band=None)]),
    ]  # fmt: skip
    stands(NAME, "means of bursts", [of_figure(each) for each in told])


def _played(random: np.random.Generator, level: float, size: int = 6) -> Played:
    return Played(
        level,
        random.normal(-40, 6, size),
        random.uniform(0.1, 1, size),
        random.random(size) > 0.7,
        random.random(size) > 0.2,
    )


@pytest.mark.parametrize("seed", range(4))
def test_between_recorded_levels(seed: int) -> None:
    random = np.random.default_rng([105, seed])
    rows = [_played(random, level) for level in (80.0, 86.0, 93.0, 96.0)[: seed + 1]]
    told: list[Any] = [at_level([], 80.0)]
    near = (-0.06, -0.0505, -0.04, 0.0, 0.04, 0.0505, 0.06)
    for level in (
        *(80.0 + off for off in near),
        83.0,
        *(86.0 + off for off in near),
        91.0,
        *(96.0 + off for off in near),
    ):
        found = at_level(rows[::-1], level)
        told.append(
            found
            if isinstance(found, str)
            else [found.values, found.u, found.is_most, found.known, found.slope, found.note]
        )
    stands(EQUAL, f"between {seed}", told)


def _equal(takes: list[Harmonics], seed: int, random: np.random.Generator, **facts: Any) -> list[object]:
    distortions = [distortion(one, u_level_db=0.2) for one in takes]
    many = [multitone(random, volts, noise=(0.01, 0.3, None)[seed % 3]) for volts in (1.0, 3.0, 9.0)]
    pairs = [two_tones(random, volts) for volts in (1.0, 2.0, 6.0, 12.0)] + [two_tones(random, 3.0, 250.0, 8000.0)]
    found = equal_level_figures(
        distortions, compression(takes) if seed % 4 < 3 else None, many, pairs, u_level_db=0.25, lineage=("s",), **facts
    )
    return of_figures(found)


@pytest.mark.parametrize("seed", range(8))
def test_at_one_level(seed: int) -> None:
    random = np.random.default_rng([106, seed])
    takes = series(random, levels=2 + seed % 4, holes=seed % 2 == 1)
    stands(EQUAL, f"series {seed}", _equal(takes, seed, random, own_level_db=(None, 90.0, 86.0, 84.5)[seed % 4]))


def test_what_was_not_recorded_has_no_row() -> None:
    random = np.random.default_rng(107)
    takes = series(random, levels=3)
    distortions = [distortion(one) for one in takes]
    unplaced = [replace(one, fundamental=replace(one.fundamental, valid=AXIS.hz > 1000.0)) for one in distortions]
    squeezed = compression(takes)
    told: list[Any] = [of_figures(equal_level_figures([], None, [], []))]
    told += [of_figures(equal_level_figures(unplaced, squeezed, [], []))]
    told += [of_figures(equal_level_figures(unplaced, None, [], []))]
    told += [of_figures(equal_level_figures([], squeezed, [], []))]
    told += [of_figures(equal_level_figures(distortions[1:], squeezed, [], []))]
    told += [of_figures(equal_level_figures(distortions, squeezed, [], [], absolute=False, own_level_db=86.0))]
    told += [of_figures(equal_level_figures(distortions, None, [multitone(random, 3.0)], [two_tones(random, 2.0)]))]
    silent = multitone(random, 3.0)
    silent = replace(silent, lines=replace(silent.lines, tone=np.zeros(28)))
    clean = multitone(random, 3.0)
    clean = replace(clean, lines=replace(clean.lines, residue=np.zeros(28)))
    told += [of_figures(equal_level_figures([], None, [silent, clean], [])), [_tones(silent), _tones(clean)]]
    pairs = [two_tones(random, 1.0, 50.0), two_tones(random, 1.0, 60.0), two_tones(random, 4.0, 60.0)]
    told += [[[one.low_hz for one in group] for group in _pairs(pairs)]]
    stands(EQUAL, "missing", told)


def test_the_share_of_a_band_that_has_to_be_known() -> None:
    """Nine tenths; and the largest value that noise does not cover is named."""
    hz = AXIS.hz
    told: list[Any] = []
    takes = [made_take(volts, np.full(hz.size, level), {2: -40.0 + 6 * np.sin(np.log2(hz)), 3: -50.0}, axis=AXIS)
             for volts, level in ((1.0, 80.0), (4.0, 92.0))]  # fmt: skip
    both = [distortion(one) for one in takes]
    inside = np.flatnonzero((hz >= 200.0) & (hz <= 5000.0))
    bass = np.flatnonzero((hz >= 50.0) & (hz <= 200.0))
    for rows in (inside, bass):
        for share in (0.85, 0.89, 0.91, 0.95):
            known = np.ones(hz.size, dtype=bool)
            known[rows[: round((1 - share) * rows.size)]] = False
            told.append(of_figures(equal_level_figures([replace(one, known=known) for one in both], None, [], [])))
    for row in (5, 20, 40):
        valid = np.ones(hz.size, dtype=bool)
        valid[inside[row - 5 : row + 5]] = False
        covered = [
            replace(one, total=replace(one.total, valid=valid), at_most_db=one.total.values + 8.0) for one in both
        ]
        told.append(of_figures(equal_level_figures(covered, None, [], [], u_level_db=0.5)))
    told.append(of_figures(equal_level_figures([replace(one, complete_to_hz=None) for one in both], None, [], [])))
    told.append(of_figures(equal_level_figures([replace(one, complete_to_hz=4600.0) for one in both], None, [], [])))
    squeezed = compression(takes)
    placed = [(80.0, both[0]), (92.0, both[1])]
    loss = np.flatnonzero((hz >= 50.0) & (hz <= 5000.0))
    for share in (0.85, 0.895, 0.905, 0.95):
        valid = np.ones(hz.size, dtype=bool)
        valid[loss[: round((1 - share) * loss.size)]] = False
        cut = replace(squeezed, total=(replace(squeezed.total[0], valid=valid, values=np.sin(np.log2(hz))),))
        told.append([of_figure(_compression(level, placed, cut, 0.3)) for level in (79.0, 80.0, 86.0, 92.0, 95.0)])
    stands(EQUAL, "known", told)


def test_noise_in_multitones_and_pairs() -> None:
    """A quarter of the energy, in steps."""
    random = np.random.default_rng(108)
    base, pair = multitone(random, 3.0, distance_m=2.0), two_tones(random, 3.0, distance_m=2.0)
    energy = float((pair.lines_pa[1:3].sum()) ** 2 + (pair.lines_pa[3:].sum()) ** 2)
    told: list[Any] = []
    for share in (0.1, 0.24, 0.249, 0.251, 0.27, 0.9, 1.4):
        told.append(_tones(replace(base, lines=replace(base.lines, noise=base.lines.residue * min(share, 0.95)))))
        told.append(_pair(replace(pair, noise_pa=float(np.sqrt(share * energy / 8.0)))))
    stands(EQUAL, "noise", told)


ONE = from_orbit("horizontal", np.zeros(1))


def _measured(**facts: Any) -> Measurement:
    return bare_measurement(response(np.ones(1), directions=ONE, axis=AXIS), **facts)


def _read(seed: int = 0) -> Reading:
    """What was read of the response: the level on axis, and of which figure its uncertainty comes."""
    keys = ("sensitivity", "bass_level", "input_sensitivity", "input_sensitivity_digital", "f3")
    known = Figure(keys[seed % 5], 86.0, 0.31, "dB", None, "")
    refused = Figure("sensitivity", None, None, "dB", None, "", reason="why")
    return Reading(
        {} if seed == 4 else {"on_axis": curve_of(np.full(len(AXIS), 86.0), AXIS)},
        {"sensitivity": refused, known.key: known}, {}, {}, {},
    )  # fmt: skip


def _series(found: LevelSeriesReading) -> list[object]:
    short = [
        [key, round(one.value or 0.0, 4), one.bound, one.reason, one.caveats]
        for key, one in sorted(found.figures.items())
    ]
    curves = np.array([float(np.sum(one.values * one.valid)) for _, one in sorted(found.curves.items())])
    return [short, sorted(found.curves), curves, found.missing, found.notes, len(found.distortions), len(found.warm)]


@pytest.mark.parametrize("seed", range(9))
def test_the_whole_series_of_a_measurement(seed: int) -> None:
    random = np.random.default_rng([109, seed])
    takes = series(random, levels=3, distance_m=(1.0, 2.0, 1.0)[seed % 3])
    near = series(random, levels=4 if seed == 2 else 2, place="near-field", distance_m=0.02)
    if seed == 1:
        takes[2] = replace(takes[2], clipped=True)
    if seed == 3:
        takes = takes[:1]
    if seed == 4:
        takes = [replace(one, clipped=True) for one in takes]
    if seed == 5:
        takes = [replace(one, pause_s=20.0 + row, temperature_c=20.0 + row) for row, one in enumerate(takes)]
    if seed == 6:
        takes = [replace(one, level_known=np.zeros(len(AXIS), dtype=bool)) for one in takes]
    if seed == 7:
        takes = []
    every = [*takes, *([] if seed in (3, 4, 6, 7, 8) else near)]
    if seed == 8:
        every = [replace(one, driver="woofer") for one in near] + [replace(takes[0], in_series=False)]
    bursts = [
        burst(random, hz, volts, in_room=seed % 2 == 0) for hz in (40.0, 50.0, 63.0, 80.0) for volts in (1.0, 2.0, 4.0)
    ]
    bursts = [
        replace(one, clipped=one.drive_v > 3 and one.frequency_hz > 55.0)
        for one in bursts
        if seed != 1 or one.frequency_hz != 50.0
    ]
    measurement = _measured(
        harmonics=tuple(every), bursts=tuple(bursts) if seed % 3 < 2 else (),
        multitones=(multitone(random, 2.0), multitone(random, 6.0)) if seed % 2 else (),
        two_tones=(two_tones(random, 2.0), two_tones(random, 4.0)) if seed % 4 < 2 else (),
        noise_runs=(noise_run(random, 5.0),) if seed % 3 else (),
    )  # fmt: skip
    if seed in (0, 8):
        measurement = replace(measurement, gate=replace(measurement.gate, source="room dimensions"))
    if seed == 5:
        measurement = replace(measurement, response=replace(measurement.response, absolute=False))
    found = level_series_reading(measurement, _read(seed), own_level_db=(None, 88.0)[seed % 2])
    stands(
        SERIES,
        f"measurement {seed}",
        [_series(found), [one.fundamental_db for one in placed_series(measurement, None)]],
    )


def test_how_far_bursts_are_held_back() -> None:
    """A whole dB less than the voltage promises is told."""
    random = np.random.default_rng(110)
    told: list[Any] = []
    for held in (0.0, 0.95, 1.0, 1.05, 1.2, 3.0):
        for distance in (1.0, 2.0):
            many = [
                burst(random, 50.0, volts, held=held * (volts > 3), distance_m=distance) for volts in (1.0, 4.0, 2.0)
            ]
            measurement = _measured(bursts=(*many, burst(random, 50.0, 9.0, clipped=True)))
            found = level_series_reading(measurement, _read())
            told.append(
                [of_figure(found.figures["burst_level@50hz"]), found.figures["burst_level_mean"].reason, found.notes]
            )
    stands(SERIES, "held back", told)


def test_an_axis_that_is_nowhere_valid_is_none() -> None:
    takes = series(np.random.default_rng(111), levels=2, place="near-field", distance_m=0.02)
    measurement = _measured(harmonics=tuple(takes))
    values = np.full(len(AXIS), 86.0)
    cut = curve_of(values, AXIS, valid=np.zeros(len(AXIS), dtype=bool))
    told: list[Any] = [[one.place, one.fundamental_db] for one in placed_series(measurement, cut)]
    told += [[one.place, one.fundamental_db] for one in placed_series(measurement, curve_of(values, AXIS))]
    told += [[one.place, one.fundamental_db] for one in placed_series(measurement, None)]
    stands(SERIES, "nowhere", [told, placed_series(_measured(), None)])


def test_curves_by_key() -> None:
    takes = series(np.random.default_rng(112), levels=3)
    measurement = _measured(
        harmonics=(*takes, replace(takes[0], take="again")), multitones=(multitone(np.random.default_rng(1), 2.0),)
    )
    found = level_series_reading(measurement, _read(), seat_m=4.0)
    stands(SERIES, "curves", [of_curves(found.curves), of_figure(found.figures["highest_clean_level_at_seat"])])
