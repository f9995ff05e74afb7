"""Level, voltages and ports in doubt: every limit of the checks in fine steps, and random loudspeakers.

Values are the program's own, frozen. Beside them closed forms: the level of a cone that moves (rho (2 pi f)^2 S x over
4 pi), 20 lg of a ratio of voltages, and ports that follow the parabola of the lumped circuit.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from reduce_worlds import LOUDSPEAKER, Rig, said, session

from earwitness.quantities import Impedance, log_axis
from earwitness.reduce.doubt.level import (
    LevelEvidence,
    _broken,
    _log_likelihood,
    a_weighted_db,
    claimed_db,
    corrected_steps,
    doubt_of_level,
    efficiency_bound_db,
    evidence_of,
    excursion_level_db,
    level_flags,
    log_odds,
    loop_volts,
    loud_volts_flags,
    lower_limit_hz,
    off_db,
    rating_flags,
    refuses_level,
    voltage_flags,
)
from earwitness.reduce.doubt.port import PortReading, _parabola, _saddle_hz, judge_port, port_reading, tuning_flags
from earwitness.reduce.doubt.recordings import Witness
from earwitness.reduce.doubt.stimulus import SweepReading
from earwitness.reduce.flags import flag
from golden_values import stands

NAME = "reduce/doubt_level"
AXIS = log_axis(20.0, 20_000.0, 12)
HZ = AXIS.hz
Array = npt.NDArray[np.float64]


def test_lower_limits() -> None:
    random, told = np.random.default_rng(1), list[Any]()
    for corner in (30.0, 60.0, 150.0, 310.0):
        level = 85.0 - 10.0 * np.log10(1.0 + (corner / HZ) ** 4)
        told.append(lower_limit_hz(level, HZ, HZ > 0.0, 85.0))
        told.append(lower_limit_hz(level, HZ, HZ > 50.0, 85.0))
        told.append(lower_limit_hz(level, HZ, random.uniform(size=HZ.size) > 0.3, 87.0))
    told.append(lower_limit_hz(np.full(HZ.size, 82.0), HZ, HZ > 40.0, 85.0))
    told.append(lower_limit_hz(np.full(HZ.size, 81.99), HZ, HZ > 40.0, 85.0))
    told.append(lower_limit_hz(np.full(HZ.size, 81.0), HZ, HZ > 300.0, 85.0))
    exact = np.array([100.0, 200.0, 300.0, 400.0])
    told.append(lower_limit_hz(np.array([80.0, 85.0, 80.0, 85.0]), exact, exact > 0.0, 85.0))
    stands(NAME, "lower limits", told)


def test_bounds_of_what_a_box_can_do() -> None:
    told: list[Any] = []
    for f3 in (20.0, 40.0, 90.0, 300.0, 2000.0):
        for vented in (False, True):
            told.append(
                [efficiency_bound_db(f3, v, vented=vented, lowest_ohm=o) for v in (0.003, 0.06) for o in (3, 8)]
            )
    told.append([excursion_level_db(f, 0.01, x) for f in (30.0, 100.0) for x in (1e-3, 5e-3)])
    # 1 cm2 m/s2: p = rho a S / (4 pi r), here for a peak of 1 mm at 50 Hz and 0.0133 m2.
    pressure = 1.2 * (2 * math.pi * 50.0) ** 2 * 0.0133 * 1e-3 / (4 * math.pi) / math.sqrt(2.0)
    assert excursion_level_db(50.0, 0.0133, 1e-3) == pytest.approx(20 * math.log10(pressure / 20e-6))
    assert excursion_level_db(50.0, 0.0133, 1e-3, density=2.4) == pytest.approx(20 * math.log10(2 * pressure / 20e-6))
    for size in (0.0, 1e-12, 1e-9, 1e-6):
        told.append(a_weighted_db(size * 100.0 / HZ, HZ))
    stands(NAME, "bounds", told)


def told_evidence(corner: float, noise: Array | None, valid: Array | None = None, /, **changes: Any) -> LevelEvidence:
    level = 86.0 - 10.0 * np.log10(1.0 + (corner / HZ) ** 4) + np.sin(HZ / 400.0)
    rows = np.ones(HZ.size, bool) if valid is None else valid
    ohm = changes.pop("lowest_ohm", None)
    given = LOUDSPEAKER | changes
    box = session(Rig(), loudspeaker=given).loudspeaker
    return evidence_of(box, level, HZ, rows, noise=noise, fs_per_pa=0.03, lowest_ohm=ohm)  # type: ignore[arg-type]


def test_evidence_of_loudspeakers() -> None:
    told: list[Any] = []
    two = [
        {"name": "a", "kind": "cone", "diameter_m": 0.13, "count": 2},
        {"name": "b", "kind": "cone", "diameter_m": 0.2},
    ]
    for corner in (45.0, 80.0):
        for enclosure in ("closed", "vented", "passive radiator", "open", "other"):
            told.append(told_evidence(corner, None, enclosure=enclosure))
        for kind in ("horn", "in-wall", "floor-stander", "subwoofer"):
            told.append(told_evidence(corner, np.full(HZ.size, 1e-12), type=kind))
        told.append(told_evidence(corner, np.full(HZ.size, 1e-14), powered=True))
        told.append(told_evidence(corner, np.full(HZ.size, 1e-14), driver=two, rated_impedance_ohm=8.0))
        told.append(told_evidence(corner, None, driver=[{"name": "d", "kind": "dome", "diameter_m": 0.025}]))
        told.append(told_evidence(corner, None, rated_impedance_ohm=8.0, lowest_ohm=3.1))
    for low, high in ((295.0, 310.0), (250.0, 299.0), (2900.0, 3000.0), (3001.0, 3300.0), (500.0, 550.0)):
        told.append(told_evidence(60.0, None, ~((low <= HZ) & (high >= HZ))).level_db)  # type: ignore[arg-type]
    quiet = 10.0 ** np.arange(-20.0, -10.0, 0.25)
    told.append([told_evidence(60.0, np.full(HZ.size, float(one))).noise_dba for one in quiet])
    for value in (-6.3, -6.05, -5.95, -5.7):
        base = a_weighted_db(np.full(HZ.size, 1e-15), HZ)
        told.append(told_evidence(60.0, np.full(HZ.size, 1e-15 * 10 ** ((value - base) / 10))).noise_dba)
    claims: list[list[dict[str, Any]]] = [
        [{"quantity": "sensitivity", "value": 87.0, "unit": "dB"}],
        [{"quantity": "sensitivity 1 W", "value": 87.0, "unit": "dB"}],
        [
            {"quantity": "rated impedance", "value": 4.0, "unit": "ohm"},
            {"quantity": "sensitivity", "value": 88.0, "unit": "dB"},
        ],
        [
            {"quantity": "sensitivity 1 W", "value": 85.0, "unit": "dB"},
            {"quantity": "sensitivity", "value": 88.0, "unit": "dB"},
        ],
        [],
    ]
    for claim in claims:
        for ohm in (None, 4.0, 8.0):
            box = LOUDSPEAKER | {"claim": claim} | ({} if ohm is None else {"rated_impedance_ohm": ohm})
            told.append(claimed_db(session(Rig(), loudspeaker=box).loudspeaker))
    stands(NAME, "evidence", told)


USUAL = LevelEvidence(86.0, 92.0, -8.0, 33.0, 126.0, 87.0)


def test_flags_of_levels() -> None:
    told: list[Any] = []
    sweeps: dict[str, list[float]] = {
        "bound_db": [79.0, 79.9, 80.1, 81.0, 82.9, 83.1, 84.0, 100.0],
        "excursion_db": [0.9, 1.05, 2.0, 2.95, 3.05, 9.0],
        "noise_dba": [-5.0, 2.9, 3.0, 3.1, 10.0, 60.0],
        "full_scale_db": [80.0, 89.9, 90.0, 90.1, 110.0, 164.9, 165.0, 165.1, 190.0],
        "claim_db": [80.0, 82.9, 83.4, 83.6, 88.9, 89.1, 90.9, 91.05, 95.0, 106.0],
        "level_db": [60.0, 75.0, 84.0, 90.0, 96.0, 106.0, 120.0],
    }
    for name, values in sweeps.items():
        for value in [*values, None]:
            one = replace(USUAL, **{name: value})
            told.append([said(level_flags(one)), log_odds(one), _broken(one)])
    for off in (-30.0, -20.0, -15.0, -10.0, -6.0, 6.0, 10.0, 15.0, 20.0, 30.0):
        one = LevelEvidence(86.0 + off, 92.0, -8.0, 33.0 + off, 126.0 + off, None)
        told.append([said(level_flags(one)), log_odds(one)])
        told.append(said(level_flags(replace(one, bound_db=None))))
    random = np.random.default_rng(4)
    for _ in range(20):
        near = [
            float(v) for v in random.normal([87.0, 92.0, -3.0, 33.0, 126.0, 87.0], [5.0, 4.0, 4.0, 15.0, 20.0, 4.0])
        ]
        told.append([[one.number, one.id, one.severity] for one in level_flags(LevelEvidence(*near))])
    nothing = LevelEvidence(None, None, None, None, None, None)
    for one in (nothing, replace(USUAL, bound_db=None, noise_dba=None), replace(nothing, bound_db=90.0, claim_db=80.0)):
        told.append([said(level_flags(one)), log_odds(one), _log_likelihood(one, 5.0)])
    refused = level_flags(replace(USUAL, bound_db=70.0))
    told.append([refuses_level(refused), doubt_of_level(refused), doubt_of_level([]), refuses_level([])])
    info = level_flags(replace(USUAL, claim_db=89.5))
    told.append([refuses_level(info), doubt_of_level(info), said(info)])
    other = flag("damage", 9.0, 1.0, severity="reject", where="a", what="b", probable="c", follows="d")
    told.append([refuses_level([other, *info]), doubt_of_level([other])])
    stands(NAME, "flags", told)


def test_impedance_against_its_rating() -> None:
    told: list[Any] = []
    for ratio in (0.1, 0.39, 0.4, 0.41, 0.8, 1.0, 2.1, 2.2, 2.25, 5.0):
        told.append(said(rating_flags(8.0 * ratio, 8.0, "z" if ratio < 3.0 else "")))
    told += [said(rating_flags(None, 8.0, "z")), said(rating_flags(1.0, None, "z"))]
    stands(NAME, "rating", told)


def witness(name: str, gain: float, rate_error: float = 0.0, *, loop: bool = True) -> Witness:
    return Witness(name, SweepReading(rate_error, 0.0, 0.0, 0.0, None, loop, gain), None, None, None, None)


def test_voltages() -> None:
    told: list[Any] = []
    some = [witness("a", 0.4), witness("b", 0.0), witness("c", 0.4, 0.0099), witness("d", 0.4, -0.0101)]
    some += [witness("e", 0.3, loop=False), witness("f", 0.3, 0.01), Witness("g", None, None, None, None, None)]
    told += [loop_volts(some, None), loop_volts(some, 30.0), off_db({"a": 2.0, "b": 1.0}, {"a": 1.0, "b": 4.0})]
    stated = dict.fromkeys("abcde", 2.83) | {"s1": 1.0, "s2": 2.0, "s3": 4.0, "s4": 8.0}
    steps = ["s1", "s2", "s3", "s4"]
    for scale in (None, 30.0):
        for common in (-3.1, -2.9, -0.51, -0.49, 0.0, 0.49, 0.51, 2.9, 3.1, 12.0):
            for odd in (-0.6, -0.31, 0.0, 0.29, 0.45, 0.55, 4.0):
                heard = dict.fromkeys("abcde", 2.83 * 10 ** (common / 20))
                heard["c"] *= 10 ** (odd / 20)
                told.append(said(voltage_flags(heard, stated, steps, volts_per_fs=scale)))
    for known in (False, True):
        for common in (0.0, 0.19, 0.21, -2.0):
            for odd in (-3.0, -0.21, -0.19, 0.0, 0.19, 0.21, 1.0):
                for count in (1, 2, 3, 4):
                    heard = {name: stated[name] * 10 ** (common / 20) for name in steps[:count]}
                    heard["s1"] *= 10 ** (odd / 20)
                    told.append(corrected_steps(heard, stated, steps, known=known))
    half = {"s1": 1.0, "s2": 2.0, "s3": 4.5, "s4": 9.5}
    told += [corrected_steps(half, stated, steps, known=True), corrected_steps(half, stated, steps[:3], known=True)]
    wrong = {"a": 2.9, "b": 2.8, "s1": 1.0, "s2": 2.5, "s3": 4.0, "s4": 8.0}
    told += [said(voltage_flags(wrong, stated, steps, volts_per_fs=one)) for one in (None, 25.0)]
    told.append(said(voltage_flags({"s1": 9.0, "s2": 2.0, "s3": 4.0}, stated, steps, volts_per_fs=3.0)))
    stands(NAME, "voltages", told)


def test_voltages_of_loud_takes() -> None:
    told: list[Any] = []
    loop = np.concatenate([np.zeros(100), np.sin(np.arange(900) * 0.7), 3.0 * np.ones(50)])
    for stretch in (None, (0.1, 1.0), (0.5, 0.6), (2.0, 3.0), (0.0, 0.1)):
        for stated in (0.6, 0.668, 0.7, 0.75, 2.8, 2.83, 3.0, 3.19, 5.0):
            told.append(said(loud_volts_flags(loop, 1000.0, stated, "t", stretch)))
    told.append(said(loud_volts_flags(np.zeros(0), 1000.0, 1.0, "t", None)))
    stands(NAME, "loud voltages", told)


# Ports. --------------------------------------------------------------------------------------------------------------


def pair(seed: int, *, scale: float = 1.0, sign: float = 1.0, loss: float = 0.02) -> tuple[Any, ...]:
    """Cone and port of one box by the lumped circuit, at two microphones that hear a little of the other."""
    random = np.random.default_rng(seed)
    hz = np.geomspace(12.0, 200.0, 80)
    x = hz / random.uniform(30.0, 60.0)
    cone = 1.0 / (1.0 + 1j * x / 3.0) * (1.0 + 0.0j)
    port = -cone / (1.0 - x**2 + loss + 1j * x * 0.08)
    reading = np.broadcast_to(np.array([[1.0, 0.02], [0.015, 1.0]]), (80, 2, 2)).astype(complex)
    heard = (reading @ np.stack([cone, port], axis=1)[..., None])[..., 0]
    heard[:, 1] *= scale * sign
    noisy = heard * (1.0 + 2e-3 * random.standard_normal(heard.shape))
    return hz, reading, noisy, np.array([False, True]), np.full(80, 50.0)


def test_ports_by_their_cones() -> None:
    told: list[Any] = []
    for seed in range(6):
        for scale in (0.5, 0.8, 1.0, 1.3, 2.0):
            told.append(port_reading(*pair(seed, scale=scale)))
        told.append(port_reading(*pair(seed, sign=-1.0)))
        told.append(port_reading(*pair(seed, loss=0.4)))
    hz, reading, heard, port, snr = pair(1)
    for below in (25, 40, 60, 74, 75, 79):
        low = np.where(np.arange(80) < below, 5.0, 50.0)
        told.append(port_reading(hz, reading, heard, port, low))
    told.append(port_reading(hz, reading, heard, port, np.full(80, 20.0)))
    told.append(port_reading(hz, reading, heard, port, np.full(80, 19.9)))
    told.append(port_reading(hz, reading, heard[:, ::-1], port, snr))
    random = np.random.default_rng(9)
    told.append(port_reading(hz, reading, random.standard_normal((80, 2)) + 0j, port, snr))  # type: ignore[arg-type]
    told.append(_parabola(hz, np.ones(80, complex), np.zeros(80, complex), snr))
    few = np.flatnonzero((hz > 30.0) & (hz < 80.0))[:8]
    for count in (5, 6, 7, 8):
        x = hz[few[:count]] / 45.0
        told.append(
            _parabola(hz[few[:count]], (1.0 - x**2 + 0.01j) * 2.0, np.ones(count, complex), np.full(count, 40.0))
        )
    stands(NAME, "ports", told, relative=1e-4)


def test_the_parabola_of_the_lumped_circuit_is_read_exactly() -> None:
    hz = np.geomspace(15.0, 120.0, 60)
    found = _parabola(hz, (1.0 - (hz / 41.0) ** 2) / 1.5 + 0j, np.ones(60, complex), np.full(60, 60.0))  # type: ignore[arg-type]
    assert found is not None
    assert found[:3] == pytest.approx((1.5, 1, 41.0), rel=1e-6)
    assert found[3] < 1e-9


def test_verdicts_on_ports() -> None:
    told: list[Any] = []
    for scale in (-6.0, -4.05, -3.95, -2.05, -1.95, -0.5, 0.5, 1.95, 2.05, 3.95, 4.05, 6.0):
        told.append(judge_port(PortReading(scale, False, 42.0, 0.01), ("port", "woofer")))
    for misfit in (0.069, 0.0705, 0.1, 0.249, 0.2505, 0.5):
        told.append(judge_port(PortReading(1.0, False, 42.0, misfit), ("port", "woofer")))
    told += [judge_port(PortReading(1.0, True, 42.0, 0.3), ("port", "woofer")), judge_port(None, ("port", "woofer"))]
    stands(NAME, "verdicts", told)


def saddle(tuning: float, depth: float, *, valid: Any = True, axis: Any = AXIS) -> Impedance:
    hz = axis.hz
    peaks = depth * (
        np.exp(-((np.log2(hz / tuning) + 0.7) ** 2) / 0.05) + np.exp(-((np.log2(hz / tuning) - 0.6) ** 2) / 0.05)
    )
    rows = np.ones(hz.size, bool) if valid is True else valid
    return Impedance(axis, 6.0 * (1.0 + peaks) + 0j, np.zeros(hz.size), np.zeros(hz.size), rows, ())


def test_tunings_by_impedance() -> None:
    told: list[Any] = []
    for depth in (0.1, 0.14, 0.16, 0.2, 3.0):
        told.append(_saddle_hz(saddle(40.0, depth), 40.0))
    for near in (20.0, 30.0, 33.0, 34.5, 35.0, 40.0, 46.0, 46.5, 48.0, 60.0, 85.0):
        told.append([_saddle_hz(saddle(40.0, 3.0), near), said(tuning_flags(near, saddle(40.0, 3.0)))])
    for count in (4, 5, 6, 7, 9):
        rows = np.zeros(HZ.size, bool)
        middle = int(np.argmin(np.abs(HZ - 40.0)))
        rows[middle - count // 2 : middle - count // 2 + count] = True
        told.append(_saddle_hz(saddle(40.0, 60.0, valid=rows), 40.0))
    told += [tuning_flags(None, saddle(40.0, 3.0)), tuning_flags(40.0, None)]
    stands(NAME, "tunings", told)


def test_edges() -> None:
    told: list[Any] = []
    stated = {"a": 2.83, "s1": 1.0, "s2": 2.0, "s3": 4.0, "s4": 8.0, "s5": 9.0}
    heard = {"a": 2.83, "s1": 1.1, "s2": 1.0, "s3": 4.0, "s4": 8.0, "s5": 9.0}
    told.append(said(voltage_flags(heard, stated, ["s1", "s2", "s3", "s4", "s5"], volts_per_fs=30.0)))
    told.append(said(level_flags(replace(USUAL, bound_db=70.0, excursion_db=9.0, noise_dba=-3.0, full_scale_db=200.0))))
    turned = saddle(40.0, 3.0)
    told.append(_saddle_hz(replace(turned, ohm=turned.ohm * np.exp(1j * np.linspace(1.0, -1.2, HZ.size))), 40.0))
    for start in (-0.2, 0.0, 0.2):
        hz = np.geomspace(15.0, 120.0, 60)
        told.append(
            _parabola(hz, start - 0.7 * (hz / 41.0) ** 2 + 0.1j * hz / 41.0, np.ones(60, complex), np.full(60, 60.0))
        )
        told.append(_parabola(hz, -start + 0.7 * (hz / 41.0) ** 2 + 0.1j, np.ones(60, complex), np.full(60, 60.0)))  # type: ignore[arg-type]
    random = np.random.default_rng(6)
    for _ in range(12):
        cone = random.standard_normal(40) + 1j * random.standard_normal(40)
        told.append(_parabola(np.linspace(20.0, 80.0, 40), cone, np.ones(40, complex), np.full(40, 60.0)))
    stands(NAME, "edges", told, relative=1e-4)
