"""Every check of quality.py at and about its limits, and over random orbits.

Values are the program's own, frozen. Beside them closed cases: Lagrange's cubic through four points is exact for any
cubic (textbook), a pure echo stands at its delay and level.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from reduce_worlds import fact, said

from earwitness.quantities.measurement import Gate, Splice
from earwitness.reduce.flags import TakeFacts, by_angle, flag, named, wrapped_deg
from earwitness.reduce.quality import (
    _behind_db,
    _clipping,
    _common_excess_m,
    _correlation,
    _distance,
    _echoes,
    _level_repeats,
    _non_causal,
    _odd_levels,
    _off_neighbors,
    _polarity,
    _rates,
    _silence,
    _with_shared,
    gate_flags,
    level_jumps,
    low_passed,
    snr_flags,
    splice_flags,
    stimulus_flags,
    take_flags,
)
from golden_values import stands

NAME = "reduce/quality"
SPEED = 343.0


def test_peaks_and_flat_tops() -> None:
    told: list[Any] = []
    for peak in (0.9, 0.99, 0.998, 0.999, 0.9995, 1.0):
        for runs in (0, 1, 2, 7):
            told.append(said(_clipping([fact("a", peak_fs=peak, runs=runs), fact("b", peak_fs=0.3)])))
    told.append(said(_clipping([fact("a", peak_fs=0.95, runs=1), fact("b", peak_fs=0.9, runs=1)])))
    told.append(said(_clipping([fact("a", peak_fs=1.0, runs=1), fact("b", peak_fs=0.9995, runs=0), fact("c")])))
    told.append(said(_clipping([])))
    for peak in (0.0, 5e-4, 9.9e-4, 1e-3, 1.05e-3):
        told.append(said(_silence([fact("a", peak_fs=peak), fact("b", peak_fs=2e-3)])))
    told.append(said(_silence([fact("a", peak_fs=2e-4), fact("b", peak_fs=5e-4)])))
    stands(NAME, "peaks", told)


def test_distances() -> None:
    told: list[Any] = []
    around = [fact(f"h{a}", float(a)) for a in (-20, 0, 20)]
    for orbit, angles in (("horizontal", (0.0, 29.0, 30.0, 31.0, 150.0, 340.0)), ("vertical", (9.0, 10.0, 11.0, 90.0))):
        for angle in angles:
            row = []
            for excess in (-0.7, -0.51, -0.49, -0.1, -0.041, -0.039, 0.0, 0.039, 0.041, 0.2, 0.59, 0.61, 2.0):
                odd = fact("odd", angle, orbit, excess_m=excess)  # type: ignore[arg-type]
                found = _distance([*around, odd], SPEED, 0.0, 0.0)
                row.append([[one.number, one.threshold, one.takes, one.sentence] for one in found])
            told.append(row)
    for distance in (0.5, 1.4, 1.6, 4.0):
        for blur in (0.0, 0.05, 0.2):
            for excess in (-0.21, -0.051, -0.031, 0.029, 0.033, 0.049, 0.079, 0.081, 0.199, 0.21):
                near = [fact(f"n{k}", 2.0 * k, distance_m=distance) for k in range(3)]
                odd = fact("odd", 10.0, distance_m=distance, excess_m=excess)
                found = _distance([*near, odd], SPEED, blur, 0.0)
                told.append([[one.number, one.threshold] for one in found])
    stands(NAME, "distances", told)


def test_a_common_excess() -> None:
    told: list[Any] = []
    for common in (-0.2, -0.11, -0.09, 0.0, 0.04, 0.09, 0.11, 0.19, 0.21, 0.4):
        for recess in (0.0, 0.2):
            facts = [fact(f"h{a}", float(a), excess_m=common) for a in (-20, -10, 0, 10, 20)]
            facts += [fact("back", 120.0, excess_m=common - 0.55), fact("late", 130.0, excess_m=common + 0.55)]
            facts += [fact("v", 25.0, "vertical", excess_m=0.3), fact("unknown", 5.0, known=False, excess_m=3.0)]
            facts += [fact("near", None, None, excess_m=2.0)]
            told.append([_common_excess_m(facts, SPEED), said(_distance(facts, SPEED, 0.0, recess))])
    told.append(_common_excess_m([], SPEED))
    told.append(_common_excess_m([fact("a", 40.0, excess_m=0.5)], SPEED))
    told.append(_common_excess_m([fact("a", 40.0, excess_m=0.5), fact("b", None, "vertical")], SPEED))
    edge = [
        fact(f"e{a}{o}", a, o, excess_m=0.01 * a)
        for a in (9.0, 10.0, 11.0, 30.0, 31.0)
        for o in ("horizontal", "vertical")
    ]
    told.append(_common_excess_m(edge, SPEED))
    stands(NAME, "common excess", told)


def orbit(seed: int, step: float, *, closed: bool, jump: float, at: int, vertical: bool = False) -> list[TakeFacts]:
    random = np.random.default_rng(seed)
    angles = np.arange(-180.0 + step, 180.1, step) if closed else np.arange(-90.0, 90.1, step)
    bend, wave = random.uniform(1.0, 5.0), random.uniform(0.0, 0.15)
    level = -bend * (angles / 90.0) ** 2 + wave * np.cos(np.radians(3.0 * angles))
    level = level + 0.02 * random.standard_normal(angles.size)
    level[at % angles.size] += jump
    axis = "vertical" if vertical else "horizontal"
    return [fact(f"{axis[0]}{a:g}", float(a), axis, level_db=float(v)) for a, v in zip(angles, level, strict=True)]  # type: ignore[arg-type]


def test_level_jumps_over_orbits() -> None:
    told: list[Any] = []
    for seed in range(24):
        closed = seed % 2 == 0
        step = (5.0, 10.0, 15.0, 15.5)[seed % 4]
        jump = (0.1, 0.28, 0.33, -0.5, 1.5, 0.75, -3.0)[seed % 7]
        told.append(said(level_jumps(orbit(seed, step, closed=closed, jump=jump, at=5 * seed + 1))))
    for jump in (0.25, 0.31, 0.4, 0.65, 0.72, 0.9):
        for place in (0, 1, 3, 8, 17, 20, 34):
            found = level_jumps(orbit(3, 10.0, closed=True, jump=jump, at=place))
            told.append([[one.number, one.takes] for one in found])
    both = [*orbit(4, 10.0, closed=True, jump=2.0, at=9), *orbit(5, 10.0, closed=True, jump=-1.0, at=20, vertical=True)]
    told.append(said(level_jumps(both)))
    stands(NAME, "level jumps", told)


def test_orbits_of_few_takes_share_the_axis() -> None:
    told: list[Any] = []
    for count in (5, 6, 7, 8):
        flat = [fact(f"h{a}", 10.0 * a, level_db=0.5 * (a == 2)) for a in range(1, count + 1)]
        up = [fact("v0", 0.0, "vertical"), fact("v10", 10.0, "vertical"), fact("v180", 180.0, "vertical")]
        told.append([_with_shared([*flat, *up], "horizontal"), _with_shared([*flat, *up], "vertical")])
        told.append(said(level_jumps([*flat, *up])))
    own = [fact(f"h{a}", 10.0 * a) for a in range(-4, 5)] + [fact("v0", 0.0, "vertical"), fact("n", None, None)]
    told.append(_with_shared(own, "horizontal"))
    behind = [fact(f"h{a}", 10.0 * a) for a in range(1, 9)] + [fact("v", -180.0, "vertical"), fact("n", 0.0, None)]
    told.append(_with_shared(behind, "horizontal"))
    stands(NAME, "shared takes", told)


def test_odd_levels_and_predictions() -> None:
    random, told = np.random.default_rng(8), list[Any]()
    for count, closed in ((7, False), (9, True), (12, False), (24, True), (36, True), (13, False)):
        angle = np.linspace(-170.0, 180.0, count) if closed else np.sort(random.uniform(-100.0, 150.0, count))
        level = np.cos(np.radians(angle)) + 0.05 * random.standard_normal(count)
        level[count // 2] += 1.0
        level[1] -= 0.6
        told.append([_off_neighbors(level, angle, closed), _odd_levels(level, angle, closed=closed)])
    many = np.zeros(12)
    many[::2] = 2.0
    told.append(_odd_levels(many, np.arange(12.0) * 10.0, closed=False))
    # About 140 degrees the wider limit begins.
    for place in (13, 14, 15):
        level = np.zeros(19)
        level[place] = 0.5
        told.append(_odd_levels(level, np.arange(19.0) * 10.0, closed=False))
    stands(NAME, "odd levels", told)


def test_the_cubic_through_neighbors_is_exact_for_a_cubic() -> None:
    angle = np.array([-50.0, -41.0, -30.0, -22.0, -10.0, 1.0, 9.0, 20.0, 33.0, 40.0])
    level = 1e-5 * angle**3 + 2e-3 * angle**2 - 0.1 * angle + 3.0
    off = _off_neighbors(level, angle, False)
    assert np.abs(off[2:-2]).max() < 1e-9
    level[5] += 0.7
    # Of the two predictions the nearer counts: never more than the cubic's.
    assert 0.3 < _off_neighbors(level, angle, False)[5] < 0.7 + 1e-9


def test_repeats_and_rates() -> None:
    told: list[Any] = []
    for apart in (0.0, 0.19, 0.21, 0.5, -0.4):
        two = [fact("a", 0.0, level_db=1.0), fact("b", 0.0, "vertical", level_db=1.0 + apart), fact("c", 5.0)]
        told.append(said(_level_repeats(two)))
    for angle in (0.0, 0.009, 0.011, 360.0, -0.0099):
        told.append(said(_level_repeats([fact("a", level_db=3.0), fact("b", angle, level_db=2.0)])))
    told.append(said(_level_repeats([fact("a", level_db=3.0)])))
    told.append(said(_level_repeats([fact("a", level_db=3.0), fact("b", None, level_db=1.0), fact("c", 0.0, None)])))
    mixed = [fact("a"), fact("b", rate_hz=44_100.0), fact("c"), fact("d", rate_hz=96_000.0)]
    told.append(said(_rates(mixed)))
    told.append(said(_rates(mixed[:1])))
    told.append(said(_rates([fact("a", rate_hz=44_100.0), fact("b"), fact("c", rate_hz=44_100.0)])))
    stands(NAME, "repeats and rates", told)


def bass(seed: int, share: float = 0.0) -> np.ndarray:
    random = np.random.default_rng(seed)
    time = np.arange(480)
    shape = np.exp(-time / 90.0) * np.cos(2 * np.pi * time / 160.0)
    other = np.exp(-((time - 200.0) ** 2) / 4000.0) * np.sin(2 * np.pi * time / 140.0)
    return np.asarray((1.0 - share) * shape + share * other + 0.01 * random.standard_normal(480))


def test_polarity() -> None:
    told: list[Any] = []
    for count, against in ((2, 1), (3, 1), (4, 1), (4, 2), (5, 3), (5, 4), (6, 0)):
        sign = [-1.0 if k < against else 1.0 for k in range(count)]
        facts = [fact(f"t{k}", 10.0 * k - 30.0, impulse=sign[k] * bass(k)) for k in range(count)]
        told.append(said(_polarity(facts)))
    for share in (0.3, 0.4, 0.45, 0.5, 0.55, 0.6, 0.7):
        facts = [fact("a", impulse=bass(1)), fact("b", 10.0, impulse=bass(2)), fact("c", 20.0, impulse=-bass(3, share))]
        told.append([[one.number, one.takes] for one in _polarity(facts)])
    silent = [fact("a"), fact("b", 10.0, impulse=np.zeros(480)), fact("c", 20.0, impulse=-bass(1))]
    told.append(said(_polarity(silent)))
    rates = [
        fact("a", impulse=bass(1)),
        fact("b", 9.0, impulse=-bass(1)),
        fact("c", 8.0, impulse=bass(1), rate_hz=44_100.0),
    ]
    told.append(said(_polarity(rates)))
    off = [fact("a", 20.0, impulse=bass(1)), fact("b", 350.0, impulse=-bass(1)), fact("c", 90.0, impulse=-bass(2, 0.2))]
    told.append(said(_polarity([*off, fact("d", None, impulse=bass(1)), fact("e", 1.0, None, impulse=bass(1))])))
    for lag in (0, 1, 20, 47, 48, 49, 60, -30, -48, -49):
        told.append(_correlation(np.roll(bass(4), lag), bass(4), 48))
    told.append([_correlation(-bass(4), bass(5, 0.3), 10), _correlation(np.zeros(8), np.ones(8), 2)])
    told.append(low_passed(fact("a", impulse=bass(3)), 500.0, 960))
    told.append(low_passed(fact("a", impulse=np.eye(1, 480, 3)[0]), 3000.0, 1000))
    stands(NAME, "polarity", told)


def test_energy_before_the_sound() -> None:
    told: list[Any] = []
    for early in (-60.0, -50.5, -50.0, -49.5, -36.0, -35.0, -34.0, 0.0):
        for angle in (0.0, 99.0, 100.0, 101.0, 250.0, 270.0):
            found = _non_causal([fact("a", angle, early_db=early), fact("b", None, None, early_db=0.0)])
            told.append([[one.number, one.threshold, one.takes] for one in found])
    told.append(said(_non_causal([fact("a", early_db=-20.0), fact("b", 170.0, early_db=-30.0)])))
    told.append([_behind_db(fact("a", angle)) for angle in (None, 99.9, 100.0, 100.1, -101.0, 259.0, 261.0)])
    stands(NAME, "before the sound", told)


def test_signal_to_noise() -> None:
    hz = np.geomspace(20.0, 20_000.0, 12)
    random, told = np.random.default_rng(5), list[Any]()
    for base in (15.0, 22.0, 28.0, 35.0):
        snr = base + random.uniform(-4.0, 4.0, (4, 12))
        snr[0, 3], snr[1, 5], snr[2, 6] = 20.0, 30.0, 19.999
        told.append(said(snr_flags(snr, hz, random.uniform(size=(4, 12)) > 0.3, ["a", "b", "c", "d"])))
    for value in (19.9, 20.0, 20.1, 29.9, 30.0, 30.1):
        told.append(said(snr_flags(np.full((1, 3), value), hz[:3], np.array([[True, True, False]]), ["a"])))
    told.append(said(snr_flags(np.full((2, 3), 3.0), hz[:3], np.zeros((2, 3), bool), ["a", "b"])))
    for spread in (None, 0.0, 0.0049, 0.005, 0.0051, -0.0049, -0.0051, -0.2):
        told.append(said(stimulus_flags(spread, "t")))
    stands(NAME, "signal to noise", told)


def echoing(delay: int, level: float, seed: int, *, second: float = 0.0) -> np.ndarray:
    random = np.random.default_rng(seed)
    impulse = np.zeros(720)
    impulse[60] = 1.0
    impulse[60 + delay] += level
    impulse[60 + 2 * delay] += second
    shape = np.array([0.2, 1.0, 0.4, -0.5, -0.2])
    return np.convolve(impulse, shape)[:720] + 1e-3 * random.standard_normal(720)


def test_echoes_inside_the_gate() -> None:
    told: list[Any] = []
    for end in (1e-3, 2e-3, 4e-3, 6e-3, 20e-3):
        told.append(_echoes(fact("a", impulse=echoing(96, 0.3, 1, second=0.1)), end))
    told.append([_echoes(fact("a", impulse=np.zeros(480)), 5e-3), _echoes(fact("a", impulse=np.ones(2)), 5e-3)])
    gate = Gate(-1.2e-3, 6e-3, 2.4e-3, 6.2e-3, "room dimensions", 200.0)
    for off in (-0.33e-3, -0.29e-3, -0.1e-3, 0.0, 0.29e-3, 0.31e-3):
        facts = [fact("a", impulse=echoing(96, 0.3, 2)), fact("b", None, None, impulse=echoing(96, 0.8, 3))]
        told.append(said(gate_flags([*facts, fact("c", 9.0, impulse=echoing(96, 0.2, 4))], gate, [0.002 + off, 0.009])))
    for level in (0.08, 0.095, 0.105, 0.12, 0.5):
        told.append(said(gate_flags([fact("a", impulse=echoing(110, level, 6))], gate, [110 / 48_000])))
    several = [fact("a", impulse=echoing(96, 0.3, 1, second=0.6))]
    told.append(said(gate_flags(several, gate, [0.0041, 0.002, 0.0059, 0.0061])))
    told.append(said(gate_flags([], gate, [0.006, 0.0059])))
    told.append(said(gate_flags(several, gate, [])))
    stands(NAME, "echoes", told)


def test_splices() -> None:
    told: list[Any] = []

    def report(**changes: Any) -> Splice:
        given: dict[str, Any] = {
            "low_hz": 200.0,
            "high_hz": 400.0,
            "gain_db": -20.0,
            "expected_gain_db": -20.0,
            "slope_db_per_octave": 0.0,
            "spread_db": 0.1,
            "delay_s": 0.0,
            "inverted": False,
            "sentence": "",
        }
        return Splice(**(given | changes))

    for slope in (-2.0, -1.55, -1.5, -1.4, 0.0, 1.4, 1.5, 1.55, 5.0):
        for high in (210.0, 300.0, 400.0, 1000.0):
            told.append(said(splice_flags(report(slope_db_per_octave=slope, high_hz=high))))
    for spread in (0.65, 0.7, 0.72, 2.0):
        told.append(said(splice_flags(report(spread_db=spread))))
    for gain in (-22.0, -21.55, -21.5, -21.4, -18.6, -18.5, -18.45, -10.0):
        told.append(said(splice_flags(report(gain_db=gain, inverted=gain < -21.0))))
    # A slope over a narrow overlap: about what it amounts to.
    for slope in (6.5, 6.9, 7.05, 7.3):
        told.append(said(splice_flags(report(slope_db_per_octave=slope, high_hz=200.0 * 2**0.1))))
    stands(NAME, "splices", told)


def test_all_checks_of_takes() -> None:
    facts = [*orbit(6, 10.0, closed=True, jump=1.0, at=12), fact("near", None, None, peak_fs=1.0, runs=3)]
    facts += [fact("quiet", 3.0, peak_fs=1e-4, excess_m=0.4), fact("odd", 4.0, early_db=-10.0, rate_hz=44_100.0)]
    facts += [fact("again", 0.0, "vertical", level_db=3.0)]
    told = [said(take_flags(facts, speed_of_sound=SPEED)), said(take_flags(facts, speed_of_sound=330.0))]
    told.append(said(take_flags(facts, speed_of_sound=SPEED, blur_m=1.0)))
    told.append(said(take_flags(facts[:3], speed_of_sound=SPEED)))
    stands(NAME, "all", told)


def test_flags_and_angles() -> None:
    told: list[Any] = [named([f"t{k}" for k in range(count)]) for count in range(7)]
    told += [
        wrapped_deg(a) for a in (-540.0, -180.0, -179.9, 0.0, 0.1, 179.9, 180.0, 180.1, 359.0, 360.0, 540.0, 721.0)
    ]
    rows = [fact("a", 10.0), fact("b", -10.0), fact("c", 370.0), fact("d", 10.0, "vertical"), fact("e", None)]
    rows += [fact("f", 10.0004), fact("g", 10.0006), fact("h", 350.0), fact("i", -180.0), fact("j", 180.0)]
    told += [by_angle(rows, "horizontal"), by_angle(rows, "vertical"), by_angle([], "vertical")]
    told.append(flag("ground_plane", 6.02))
    told.append(flag("level_jump", -1.5, 0.3, takes=("a",), way="below"))
    told.append(flag("level_jump", -1.5, 0.3, takes=("a", "b", "c", "d", "e", "f"), way="below"))
    told.append(flag("snr", 12.0, 20.0, takes=("a", "b"), band_hz=(100.0, 12_000.0), severity="info", consequence="x"))
    stands(NAME, "flags", told)


def test_edges_of_orbits() -> None:
    told: list[Any] = []
    for gap in (29.0, 30.0, 31.5, 33.0, 34.0):
        angles = np.linspace(-180.0 + gap, 180.0, 26)
        level = 0.004 * angles
        level[0] += 0.45
        facts = [fact(f"h{k}", float(a), level_db=float(v)) for k, (a, v) in enumerate(zip(angles, level, strict=True))]
        told.append([[one.number, one.takes] for one in level_jumps(facts)])
    for count in (6, 7, 8):
        few = [fact(f"h{k}", 12.0 * k - 30.0, level_db=1.0 * (k == 3)) for k in range(count)]
        told.append([[one.number, one.takes] for one in level_jumps(few)])
    # Where all levels scatter, only what stands five times beyond counts.
    for seed in range(12):
        random = np.random.default_rng(seed)
        level = random.normal(0.1 * seed, 0.12, 24)
        level[1::3] += 0.25
        level[9] += 0.9 + 0.05 * seed
        told.append(_odd_levels(level, np.linspace(-120.0, 120.0, 24), closed=seed % 2 == 0))
    stands(NAME, "edges of orbits", told)


def test_edges_of_takes() -> None:
    told: list[Any] = []
    near = [fact(f"n{k}", 5.0 * k - 10.0) for k in range(5)]
    for angle in (-40.0, -29.0, -31.0, 320.0):
        for excess in (0.2, -0.3):
            told.append(said(_distance([*near, fact("odd", angle, excess_m=excess)], SPEED, 0.0, 0.0)))
    both = [fact("far", 90.0, excess_m=0.9), fact("axis", 3.0, distance_m=30.0, excess_m=-0.7)]
    told.append(said(_distance([*near, *both], SPEED, 0.0, 0.0)))
    told.append(
        _common_excess_m([fact("a", -40.0, excess_m=0.5), fact("b", 0.0), fact("c", -20.0, excess_m=0.2)], SPEED)
    )
    levels = [fact("a", 0.0, level_db=1.0), fact("b", -8.0, level_db=3.0), fact("c", 0.001, level_db=1.1)]
    told.append(said(_level_repeats(levels)))
    told.append(said(_level_repeats([*levels, fact("d", 0.0, "vertical", level_db=-1.0)])))
    zero = bass(2)
    zero[100] = 0.0
    told.append(
        said(_polarity([fact("a", impulse=bass(1)), fact("b", 10.0, impulse=-zero), fact("c", 20.0, impulse=zero)]))
    )
    long = np.concatenate([bass(1), 0.8 * bass(3)])
    told.append(
        said(_polarity([fact("a", impulse=bass(1)), fact("b", 10.0, impulse=-long), fact("c", 20.0, impulse=bass(4))]))
    )
    for late in (46, 48, 50, 53, 60):
        moved = [
            fact("a", impulse=bass(1)),
            fact("b", 10.0, impulse=bass(2)),
            fact("c", 20.0, impulse=-np.roll(bass(1), late)),
        ]
        told.append([one.number for one in _polarity(moved)])
    told.append(_correlation(1e-3 * bass(4), 1e-3 * bass(5), 10))
    for seed in range(10):
        short = np.random.default_rng(seed).standard_normal(90) * np.exp(-np.arange(90) / 60.0)
        told.append(_echoes(fact("a", impulse=short), 0.1))
    stands(NAME, "edges of takes", told)
