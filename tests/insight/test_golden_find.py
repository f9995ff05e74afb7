"""Findings over a population of invented loudspeakers, and each rule of the search at its limit; frozen.

The values are the program's own ("frozen"). What they are true to is held in test_findings_*.py.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from flaw_worlds import (
    DRIVERS,
    HZ,
    X,
    bell_db,
    curve_of,
    impedance,
    loudspeaker,
    measured,
    near_fields,
    reading_of,
    switches,
)

from earwitness.insight.findings.decompose import Decomposition, Peak
from earwitness.insight.findings.finding import Finding, Kind, Resonance
from earwitness.insight.findings.origins import Cabinet, PeakEvidence
from earwitness.insight.findings.search import (
    _contrast_peaks,
    _ends_at,
    _finding,
    _in_words,
    _is_edge,
    _is_same,
    _limit,
    _limits,
    _merged,
    _peak_of,
    _rank,
    _reference,
    _rest_db,
    _Seen,
    _sized,
    _sizes_db,
    _slope,
    _tilt,
    find,
    limits_of,
    size_uncertainty_db,
)
from golden_values import stands

NAME = "insight/findings_search"
BOX = Cabinet(0.21, 0.42, 0.3, 0.1)
FITTED = 1e-4


def told(one: Finding) -> list[Any]:
    numbers = [one.center_hz, one.low_hz, one.high_hz, one.size_db, one.u_db, one.q, one.margin_db]
    sizes = [[key[:4], size.size_db, size.u_db, size.u_own_db] for key, size in one.sizes.items()]
    origins = [[origin.name, origin.part, *origin.facts.values()] for origin in one.origins]
    words = f"{one.kind} {one.is_equalizable} {one.radiator} {','.join(one.curves)}. {one.title}. {one.sentence}"
    return [one.key, numbers, sizes, origins, list(one.evidence.values()), words]


CASES = (
    (0, "whole"),
    (1, "whole"),
    (2, "no phase"),
    (3, "gated"),
    (4, "one orbit"),
    (5, "doubtful"),
    (6, "holes"),
    (7, "few"),
    (8, "short"),
    (9, "in a wall"),
)


@pytest.mark.parametrize(("number", "way"), CASES)
def test_findings_of_loudspeakers(number: int, way: str) -> None:
    response = measured(number, way)
    more: dict[str, Any] = {}
    if number % 2:
        more = {
            "impedance": impedance(number, 700.0, 2.0),
            "near_fields": near_fields(number, 500.0, 4.0, 3.0),
            "drivers": DRIVERS,
            "cabinet": BOX,
        }
    found = find(reading_of(response), response, sensitive=number % 3 == 0, **more)
    stands(NAME, f"loudspeaker {number} {way}", [told(one) for one in found], relative=FITTED, near_zero=1e-5)


def test_what_only_the_sound_above_and_below_shows() -> None:
    """A dip of the vertical orbit alone, and one that the room shows already."""
    response = loudspeaker(11)
    curves = reading_of(response).curves
    rows = [_contrast_peaks(response, curves["in_room"], band) for band in (HZ[100:400], HZ[200:360], HZ[300:340])]
    narrow = measured(11, "one orbit")
    rows.append(_contrast_peaks(narrow, curves["in_room"], HZ[100:400]))
    stands(NAME, "contrast", rows, relative=FITTED, near_zero=1e-5)


@pytest.mark.parametrize("number", range(3))
def test_ends_of_the_range(number: int) -> None:
    random = np.random.default_rng([number, 41])
    rows = []
    for _ in range(16):
        corner, top = float(np.exp(random.uniform(3.0, 7.0))), float(np.exp(random.uniform(7.5, 10.5)))
        level = -10 * np.log10(1 + (corner / HZ) ** (2 * random.uniform(0.2, 4.0)))
        level = level - 10 * np.log10(1 + (HZ / top) ** (2 * random.uniform(0.2, 4.0))) + random.normal(0, 0.3, HZ.size)
        level = level + random.choice([0.0, 12.0]) * np.exp(-((np.log2(HZ / 80.0)) ** 2))
        valid = (float(random.choice([0.0, 40.0, 200.0])) < HZ) & (float(random.choice([30e3, 9e3, 2e3, 700.0])) > HZ)
        if random.random() < 0.3:
            valid &= np.abs(np.log2(HZ / float(np.exp(random.uniform(4.0, 9.0))))) > 0.1
        curve = curve_of(80.0 + level, valid=valid, u=0.2, common=0.1 * np.abs(X))
        ends = limits_of(curve)
        reference = _reference(curve)
        rows.append(
            [*(reference or ()), *(v for one in ends for v in (one.edge_hz, one.slope_db_per_octave, one.far_hz))]
        )
        if number == 0 and len(rows) < 12:
            rows[-1] += [
                [one.low_hz, one.center_hz, one.high_hz, one.u_db, one.title, one.sentence] for one in _limits(curve)
            ]
    stands(NAME, f"ends {number}", [rows, _limits(None)])


def test_when_a_fall_is_an_end() -> None:
    """Steeper than 2 dB/octave, farther than a sixth of an octave from the last data; counted from the loudest octave
    where that is 10 dB over the middle."""
    slopes = np.round(np.arange(1.5, 2.6, 0.02), 3)
    rows: list[Any] = []
    for is_low, start in ((True, 300.0), (False, 3000.0)):
        fall = [curve_of(-one * np.maximum(-X if is_low else X, 0.0)) for one in slopes]
        rows.append(switches(slopes, [_limit(one, -2.0, start, is_low=is_low) is None for one in fall]))
    corners = np.geomspace(15.0, 22.0, 50)
    steep = [curve_of(np.where(one > HZ, -24.0 * np.log2(one / HZ) - 6.0, 0.0)) for one in corners]
    rows.append(switches(corners, [_limit(one, 0.0, 300.0, is_low=True) is None for one in steep]))
    humps = np.round(np.arange(9.0, 11.6, 0.2), 3)
    hump = [curve_of(one * (np.abs(np.log2(HZ / 80.0)) < 1.0)) for one in humps]
    rows.append(switches(humps, [len(_reference(one) or ()) and (_reference(one) or (0, 0))[1] for one in hump]))
    rows.append([_reference(curve_of(X, valid=(low < HZ) & (2 * low > HZ))) for low in (40.0, 400.0, 5000.0)])
    rows.append([_reference(curve_of(X, valid=(HZ > 100.0) & (high > HZ))) for high in (150.0, 199.0, 201.0)])
    few = np.arange(12.0) / 4
    rows.append([_slope(few, -3.0 * few, 0.5, is_low=False), _slope(-few, -3.0 * few, -0.2, is_low=True)])
    for valid in (HZ > 290.0, HZ > 297.0, HZ > 299.0, HZ > 304.0, HZ < 290.0):
        rows.append(_limit(curve_of(-4.0 * np.maximum(-X, 0.0), valid=valid), 0.0, 300.0, is_low=True))
    # Faint levels: where no whole octave is known, nothing stands in its place.
    for valid in ((HZ > 500.0) & (HZ < 1500.0), (HZ > 500.0), HZ > 15_000.0, (HZ < 700.0) | (HZ > 900.0)):
        rows.append(_reference(curve_of(-40.0 + 3.0 * X, valid=valid)))
    rows.append(_reference(curve_of(np.where(HZ > 14_200.0, 40.0, 0.0) - 40.0 + 3.0 * X)))
    flat = np.where(HZ > 200.0, -8.0, 0.0)
    rows.append(_limit(curve_of(flat), 0.0, 300.0, is_low=True))
    rows.append(_limit(curve_of(np.where(HZ < 100.0, -9.0 - 12 * np.log2(100.0 / HZ), 0.0)), 0.0, 300.0, is_low=True))
    exact = np.where(HZ < 99.0, 12 * np.log2(HZ / 99.0) - 6.5, np.where(HZ < 110.0, -6.0, 0.0))
    rows.append(_limit(curve_of(exact), 0.0, 300.0, is_low=True))
    stands(NAME, "falls", rows)


def test_when_two_peaks_are_one() -> None:
    away = np.round(np.arange(-1.2, 1.2, 0.005), 4)
    rows = []
    for q in (0.6, 2.0, 8.0, 30.0):
        for other in (q, q * 2.2, q * 5.0):
            for size in (2.0, -2.0):
                found = [_is_same(Peak(1000.0, q, 3.0), Peak(1000.0 * 2.0 ** float(one), other, size)) for one in away]
                rows.append(switches(away, found))
    ratios = np.geomspace(0.05, 20.0, 400)
    rows.append(
        switches(ratios, [_is_same(Peak(1000.0, 2.0, 3.0), Peak(1000.0, 2.0 * float(one), 3.0)) for one in ratios])
    )
    rows.append(
        switches(ratios, [_is_same(Peak(1000.0, 9.0, 3.0), Peak(1000.0, 9.0 * float(one), 3.0)) for one in ratios])
    )
    stands(NAME, "one", rows)


GRID = np.arange(-200, 200) / 48.0


def part_of(*peaks: Peak, rest: float = 0.1, slope: float = 0.3) -> Decomposition:
    """Peaks on a slope with an edge at its low end."""
    trend = slope * GRID - 10 * np.log10(1 + 2.0 ** (-6 * (GRID + 3.6)))
    level = trend + sum((bell_db(1000.0 * 2.0**GRID, one.center_hz, one.q, one.size_db) for one in peaks), 0.0 * GRID)
    wave = rest * np.sin(9 * GRID)
    return Decomposition(
        1000.0 * 2.0**GRID, level, trend, wave, slope, 0.02, 1000.0 * 2.0**-3.6, None, 3.0, None, tuple(peaks)
    )


def test_edges_of_the_trend_are_no_peaks() -> None:
    hz = np.geomspace(57.0, 400.0, 300)
    rows: list[Any] = [switches(hz, [_is_edge(part_of(), Peak(float(one), 2.0, 2.0)) for one in hz])]
    q = np.geomspace(0.4, 60.0, 40)
    rows.append(np.array([_rest_db(part_of(), Peak(500.0, float(one), 2.0)) for one in q]))
    rows.append(np.array([_rest_db(part_of(), Peak(float(one), 30.0, 2.0)) for one in (20.0, 60.0, 1000.0, 30_000.0)]))
    stands(NAME, "edges", rows)


@pytest.mark.parametrize("number", range(2))
def test_peaks_of_several_curves_are_merged(number: int) -> None:
    random = np.random.default_rng([number, 42])
    ratios, rows = np.round(np.arange(0.5, 1.8, 0.02), 3), []
    for ratio in ratios:
        centers = (300.0, 900.0, 3000.0)
        first = [Peak(one, 3.0, 3.0, 0.01, float(random.uniform(0.05, 0.2)), 0.1) for one in centers]
        second = [
            replace(one, size_db=one.size_db * float(ratio), u_ln_q=float(random.uniform(0.05, 0.2)))
            for one in first[:2]
        ]
        room = [replace(one, size_db=one.size_db * float(ratio), u_ln_q=0.01) for one in first[1:]]
        hz = part_of().hz
        ends = [Peak(hz[0] * 0.99, 3.0, 3.0), Peak(70.0, 5.0, 3.0), Peak(float(np.sqrt(hz[-1] * hz[-2])), 6.0, 3.0)]
        ends += [Peak(float(hz[-1]) * 1.001, 9.0, 3.0)] * int(ratio > 1.0)
        parts = {
            "listening_window": part_of(*first, *ends),
            "on_axis": part_of(*second, rest=0.3),
            "in_room": part_of(*room),
        }
        rows.append(
            ",".join(
                f"{one.target[0]}{one.peak.center_hz:.0f}:{one.peak.size_db:.2f}:{len(one.sizes_db)}:{one.rest_db:.3f}"
                for one in _merged(parts)
            )
        )
    stands(NAME, f"merged {number}", rows)


def test_uncertainty_of_a_size() -> None:
    curve = curve_of(X, u=0.2 + 0.05 * np.abs(X), common=0.15 + 0.03 * X**2, valid=HZ > 40.0)
    rows = []
    for q in np.geomspace(0.4, 40.0, 12):
        for center in (90.0, 700.0, 9000.0):
            peak = Peak(center, float(q), 3.0, 0.0, 0.0, 0.11)
            rows += [
                size_uncertainty_db(curve, peak),
                size_uncertainty_db(curve, peak, (2.5, 3.4), 0.3),
                size_uncertainty_db(curve, replace(peak, size_db=-2.0), (-3.4, -2.9)),
                size_uncertainty_db(replace(curve, u_common=0.5 * np.ones(HZ.size)), peak, (), 0.2),
            ]
            sized = _sized(curve, peak, 2.6, _Seen(peak, "on_axis", (), 0.2))
            rows += [sized.size_db, sized.u_db, sized.u_own_db]
    away = np.round(np.arange(0.0, 1.0, 0.005), 4)
    ends = []
    for q in (0.6, 2.0, 8.0):
        for end, sign in ((curve.axis.hz[curve.valid][0], 1.0), (HZ[-1], -1.0)):
            found = [_ends_at(curve, Peak(float(end) * 2.0 ** float(sign * one), q, -3.0)) for one in away]
            ends.append(switches(away, found))
    stands(NAME, "uncertainty", [np.array(rows), ends])


def evidence(**more: Any) -> PeakEvidence:
    given: dict[str, Any] = {
        "curve_db": {
            "on_axis": 3.0,
            "listening_window": 3.0,
            "early_reflections": 2.9,
            "sound_power": 2.8,
            "in_room": 2.9,
        },
        "horizontal_db": 2.8,
        "vertical_db": 2.7,
        "equalizability": 0.95,
        "excess_phase_deg": 4.0,
        "wrinkle_percent": None,
        "wrinkle_hz": None,
        "share_db": {"woofer": -1.0},
        "radiator": "woofer",
    }
    return PeakEvidence(**(given | more))


CURVES = {
    key: curve_of(X, key=key, u=0.05, common=0.1)
    for key in ("on_axis", "listening_window", "early_reflections", "sound_power", "in_room")
}


def made(peak: Peak, facts: PeakEvidence, target: str = "on_axis", **more: Any) -> Finding | None:
    sensitive = bool(more.pop("sensitive", False))
    return _finding(
        _Seen(peak, target, (peak.size_db,), 0.05), facts, CURVES, DRIVERS, BOX, sensitive=sensitive, **more
    )


def scaled(size: float, **more: Any) -> PeakEvidence:
    base = evidence()
    return replace(base, curve_db={key: size / 3.0 * one for key, one in base.curve_db.items()}, **more)


def test_what_is_reported_and_what_is_not() -> None:
    sizes = np.round(np.arange(-1.1, 1.1, 0.02) + 0.005, 3)
    rows: list[Any] = []
    for u in (0.0, 0.2, 0.4):
        found = [made(Peak(800.0, 3.0, float(one), 0, 0, u), scaled(float(one))) is None for one in sizes if one]
        rows.append(switches([one for one in sizes if one], found))
    shares = np.round(np.arange(0.2, 0.5, 0.01), 3)
    for target in ("on_axis", "in_room"):
        kinds_found: list[Any] = []
        for one in shares:
            facts = evidence()
            facts = replace(facts, curve_db={**facts.curve_db, target: float(one) * 3.0})
            each = made(Peak(800.0, 3.0, 3.0), facts, target)
            kinds_found.append(None if each is None else [each.kind, *each.curves])
        rows.append(switches(shares, kinds_found))
    for size in (-3.0, 3.0):
        found = [made(Peak(float(one), 2.0, size), scaled(size)) is None for one in HZ[-60:-1]]
        rows.append(switches(HZ[-60:-1], found))
    stands(NAME, "reported", rows)


def test_findings_of_made_evidence() -> None:
    """Every number and word of a finding from evidence by hand, behind a gate and not, and a costly dip."""
    resonance = Resonance(810.0, 0.01, 8.0, 0.2, 4.4, 0.5, None, "", 800.0, 3.0, 3.0, 5e-3, 0.4)
    rows: list[Any] = []
    for size in (-9.0, -6.2, -5.8, 3.0):
        for sensitive in (False, True):
            one = made(Peak(800.0, 1.7, size, 0.01, 0.1, 0.05), scaled(size), sensitive=sensitive)
            assert one is not None
            rows.append(told(one))
    for behind in (lambda peak: replace(resonance, seen_hz=peak.center_hz), lambda _: None):
        for facts in (evidence(), evidence(equalizability=0.1)):
            one = made(Peak(800.0, 3.0, 3.0, 0.01, 0.1, 0.05), facts, behind=behind)
            rows.append(None if one is None else told(one))
    hidden = evidence(curve_db={"early_reflections": -3.0, "in_room": -2.9}, horizontal_db=-0.1, vertical_db=-5.0)
    one = made(Peak(2000.0, 1.5, -3.0), hidden, "in_room")
    rows.append(None if one is None else told(one))
    one = made(Peak(2000.0, 1.5, -3.0), replace(hidden, curve_db={"in_room": -3.0}), "in_room")
    rows.append(None if one is None else told(one))
    stands(NAME, "made", rows)
    source = made(Peak(800.0, 2.0, -7.0), scaled(-7.0))
    assert source is not None
    ranks = [_rank(replace(source, kind=kind, size_db=size)) for kind in ("source", "off_axis") for size in (-2.0, 2.0)]
    words = [_in_words(replace(source, size_db=size)) for size in (-5.9, -6.0, -6.1, -6.5, 7.0)]
    told_sizes = [
        _sizes_db(_Seen(Peak(800.0, 2.0, 3.0), target, (1.0, 2.0)), evidence(), kind)
        for target in ("on_axis", "in_room")
        for kind in kinds()
    ]
    stands(NAME, "ranks", [ranks, words, told_sizes, _peak_of(source), _peak_of(replace(source, q=None))])


def kinds() -> tuple[Kind, ...]:
    return ("source", "near_axis")


def test_tilts() -> None:
    """From 0.3 dB/octave and twice the uncertainty, over three octaves of the band."""
    slopes = np.round(np.arange(-0.6, 0.6, 0.01), 3)
    rows: list[Any] = []
    for common in (0.1, 0.1 + 0.4 * np.abs(X) / 5, 0.1 + 0.9 * np.abs(X) / 5):
        curve = curve_of(X, u=0.1, common=common)
        rows.append(switches(slopes, [bool(_tilt(part_of(slope=float(one)), curve)) for one in slopes]))
    grid = np.geomspace(100.0, 4000.0, 60)
    for low in (None, 300.0):
        found = []
        for one in grid:
            part = replace(part_of(slope=1.0), hz=np.geomspace(60.0, float(one) * 3, 400), low_corner_hz=low)
            found.append(bool(_tilt(part, curve_of(X))))
        rows.append(switches(grid, found))
    for low, slope in ((None, 0.7), (90.0, 0.7), (40.0, -0.5), (700.0, 0.7), (6000.0, 0.7)):
        part = replace(part_of(slope=slope), hz=np.geomspace(50.0, 15_000.0, 400), low_corner_hz=low)
        curve = curve_of(X, u=0.02 + 0.01 * X**2 / 9, common=0.1 + 0.02 * np.abs(X), valid=HZ > 60.0)
        rows.append([told(one) for one in _tilt(part, curve)])
    stands(NAME, "tilts", rows)
