"""Remarks against curves and findings over a population, frozen: the program's own values, held against change."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from listening_worlds import AXIS, Found, curve, reading, sheet, step_db
from match_worlds import brief, figure, tried
from scipy import stats

from earwitness.insight.findings.finding import Placed
from earwitness.insight.listening import matching
from earwitness.insight.listening.matching import (
    Chance,
    RegionEvidence,
    RegionFacts,
    chance,
    chance_in_words,
    deviation,
    evidence_in_words,
    matched,
    matched_remarks,
    span_in_words,
    told_in_words,
    told_of,
    verdict_of,
)
from earwitness.insight.listening.remark import Region, Remark, heard_words
from earwitness.quantities import Curve, Reading
from golden_values import stands

NAME = "insight/remarks"
KINDS = ("source", "load", "port", "near_axis", "partial", "off_axis", "vertical")


@dataclasses.dataclass(frozen=True, slots=True)
class Placing:
    """A finding that is heard otherwise, and in another curve, than it is told."""

    center_hz: float
    low_hz: float
    high_hz: float
    size_db: float
    u_db: float
    kind: str
    heard: Placed


def findings_of(random: np.random.Generator, count: int) -> list[Any]:
    made = []
    for _ in range(count):
        center = 30.0 * 2.0 ** random.uniform(0.0, 9.0)
        half = 2.0 ** random.uniform(0.02, 0.7)
        size, u = random.normal(0.0, 3.0), random.uniform(0.05, 0.8)
        place = random.choice(["", "on_axis", "listening_window", "in_room"])
        kind = str(random.choice(KINDS))
        made.append(
            Placing(center, center / half, center * half, size, u, kind, Placed(str(place), size * 1.2, u * 0.9))
        )
    size = random.normal(0.0, 4.0)
    made.append(Placing(1400.0, 200.0, 10_000.0, size, 0.3, "tilt", Placed("", size, 0.3)))
    for limit in (random.uniform(40.0, 120.0), random.uniform(8000.0, 16_000.0)):
        made.append(Placing(limit, limit, limit, -6.0, 0.5, "band_limit", Placed("", -6.0, 0.5)))
    return made


def reading_of(random: np.random.Generator, *keys: str) -> Reading:
    made = []
    for key in keys:
        level = 85.0 - random.uniform(0.0, 0.8) * np.log2(AXIS.hz / 1000.0)
        for _ in range(4):
            level = level + random.normal(0.0, 2.5) * np.exp(
                -((np.log2(AXIS.hz / (60.0 * 2.0 ** random.uniform(0.0, 8.0))) / 0.7) ** 2)
            )
        made.append(
            curve(
                level,
                key=key,
                u=random.uniform(0.05, 0.6),
                u_common=0.3,
                valid_from_hz=random.choice([0.0, 60.0, 300.0]),
            )
        )
    return reading(*made)


def regions() -> list[Region]:
    return [Region(one.low_hz, one.high_hz) for one in heard_words().values()]


@pytest.mark.parametrize("number", range(8))
def test_what_the_data_tell_of_regions(number: int) -> None:
    random = np.random.default_rng([number, 1])
    keys = [("listening_window", "in_room"), ("on_axis", "in_room"), ("on_axis",), ("listening_window",)][number % 4]
    shown, findings = reading_of(random, *keys), findings_of(random, 9)
    rows = []
    for place, region in enumerate(regions()[number % 2 :: 2]):
        told = told_of(region, shown, findings)
        short: list[Any] = [
            told.is_covered,
            told.is_known,
            [[e.source, e.finding, e.size_db, e.u_db, e.weight, e.is_grain] for e in told.evidence[:3]],
        ]
        rows.append(
            short
            if place % 5 == 0
            else [told.is_covered, len(told.evidence), sum(e.weight * (1.0 + n) for n, e in enumerate(told.evidence))]
        )
        rows.append([verdict_of(sense, told) for sense in ("excess", "lack", "uneven", "even")])
    stands(NAME, f"told {number}", rows)


def told_line(region: Region, finding: Any) -> Any:
    found = told_of(region, reading(curve(np.full(len(AXIS), 85.0))), [finding]).evidence
    return [round(part, 9) for one in found for part in (one.size_db, one.u_db, one.weight)]


def test_findings_at_their_thresholds() -> None:
    region = Region(500.0, 1000.0)
    rows = []
    # Twice the uncertainty, a quarter of the threshold of hearing, dips at half.
    for size in np.concatenate([np.arange(-2.2, 2.3, 0.1), [0.4, -0.4, 0.25, 0.2499, 0.2501, -0.5, -0.499]]):
        for u in (0.0, 0.2):
            rows.append(told_line(region, Found(700.0, 500.0, 990.0, float(size), u)))
    # Half of the narrower span, and what sits at a point.
    for shift in np.arange(-1.6, 1.65, 0.1):
        rows.append(told_line(region, Found(700.0 * 2.0**shift, 500.0 * 2.0**shift, 1000.0 * 2.0**shift, 3.0)))
        rows.append(told_line(region, Found(700.0 * 2.0**shift, 700.0 * 2.0**shift, 700.0 * 2.0**shift, 30.0)))
    for at in (499.9, 500.0, 500.1, 999.9, 1000.0, 1000.1):
        rows.append(told_line(region, Found(at, at, at, 30.0)))
        rows.append(told_line(region, Found(at, at, at, 2.4)))
    # Ends of the range, on both sides of 1 kHz and of the region's own middle.
    for at in (100.0, 500.0, 700.0, region.center_hz, 720.0, 999.0, 1000.0, 1001.0, 5000.0):
        for side in (region, Region(2000.0, 4000.0), Region(900.0, 1100.0), Region(999.0, 1001.0)):
            rows.append(told_line(side, Found(at, at, at, -6.0, 0.5, "band_limit")))
    # A tilt at the middle of a region against the middle of its own band.
    for low in np.geomspace(100.0, 12_000.0, 30):
        for size in (3.0, -9.0):
            rows.append(told_line(Region(low, low * 1.7), Found(1400.0, 200.0, 10_000.0, size, 0.3, "tilt")))
    for size in (1.99, 2.0, 2.01, 2.2):
        rows.append(told_line(Region(7_000.0, 40_000.0), Found(1400.0, 200.0, 10_000.0, size, 0.3, "tilt")))
        rows.append(told_line(Region(6_000.0, 10_000.0), Found(1400.0, 200.0, 10_000.0, size, 0.3, "tilt")))
    stands(NAME, "thresholds", rows)


@pytest.mark.parametrize("is_sloped", [False, True])
def test_deviations_of_curves(is_sloped: bool) -> None:
    random = np.random.default_rng(2)
    rows: list[Any] = []
    for number in range(10):
        shown = next(iter(reading_of(random, "in_room").curves.values()))
        common = 0.1 + 0.05 * np.abs(np.log2(AXIS.hz / 1000.0))
        own = 0.05 + 0.1 * random.random(len(AXIS))
        valid = (AXIS.hz >= (0.0, 150.0, 300.0, 1000.0, 3000.0)[number % 5]) & (
            AXIS.hz <= (20_000.0, 4000.0)[number % 2]
        )
        shown = dataclasses.replace(shown, u=own, u_common=common, valid=valid)
        for region in regions()[number::7]:
            rows.append(deviation(region, shown, is_sloped=is_sloped))
    stands(NAME, f"deviations, sloped {is_sloped}", rows)


def valid_curve(low_hz: float, high_hz: float) -> Curve:
    level = 85.0 + np.log2(AXIS.hz / 500.0) ** 2
    return dataclasses.replace(curve(level), valid=(AXIS.hz >= low_hz) & (AXIS.hz <= high_hz))


def test_a_region_that_is_partly_valid() -> None:
    """Ends of the valid band slide over a region, and over what is left for the trend; the trend's own band."""
    rows = []
    for step in range(0, 61, 3):
        edge = 250.0 * 2.0 ** (step / 24.0)
        for is_sloped in (False, True):
            rows.append(deviation(Region(400.0, 800.0), valid_curve(edge, 12_000.0), is_sloped=is_sloped))
            rows.append(deviation(Region(400.0, 800.0), valid_curve(100.0, edge), is_sloped=is_sloped))
            rows.append(deviation(Region(400.0, 800.0), valid_curve(400.0, edge * 2.0), is_sloped=is_sloped))
        told = [told_of(Region(400.0, 800.0), reading(valid_curve(edge, 12_000.0)), []).is_covered]
        rows.append(told)  # type: ignore[arg-type]
    for step in range(-12, 13, 2):
        low = 200.0 * 2.0 ** (step / 12.0)
        rows.append(deviation(Region(low / 2.0, low), valid_curve(20.0, 20_000.0), is_sloped=True))
        high = 10_000.0 * 2.0 ** (step / 12.0)
        rows.append(deviation(Region(high, high * 2.0), valid_curve(20.0, 20_000.0), is_sloped=True))
        rows.append(deviation(Region(high / 2.0, high), valid_curve(20.0, 20_000.0), is_sloped=False))
        rows.append(deviation(Region(low / 2.0, low), valid_curve(20.0, 20_000.0), is_sloped=False))
    stands(NAME, "partly valid", rows)
    none = told_of(Region(400.0, 800.0), Reading({}, {}, {}, {}, {}), [])
    assert (none.is_covered, none.is_known, none.evidence) == (False, False, ())


def test_curves_at_their_thresholds() -> None:
    """A region's step grows past twice its uncertainty, and past what may be heard at its width."""
    rows = []
    for height in np.arange(0.6, 2.6, 0.06):
        for u in (0.05, 0.6):
            for low, high in ((300.0, 700.0), (900.0, 1100.0)):
                for sign in (1.0, -1.0):
                    shown = reading(curve(step_db(low, high, sign * height), u=u, key="listening_window"))
                    rows.append([round(e.weight, 9) for e in told_of(Region(low, high), shown, []).evidence])
    stands(NAME, "curves at thresholds", rows)


def evidence(source: str, kind: str, size_db: float, **more: Any) -> RegionEvidence:
    return RegionEvidence(source, kind, 1234.0, 900.0, 1800.0, size_db, 0.31, 1.3, **more)


def test_verdicts() -> None:
    rows = []
    grains = [
        evidence("finding", kind, size) for kind in ("source", "tilt", "band_limit") for size in (2.0, -2.0, 0.4, -0.4)
    ]
    grains += [evidence("listening_window", "", size) for size in (1.5, -1.5)]
    light = [dataclasses.replace(one, weight=weight) for one in grains[:3] for weight in (0.9, 0.999, 1.0, 1.1)]
    for known in (True, False):
        for some in ([], *([one] for one in grains), grains[:2], grains[1:3], *([one] for one in light)):
            told = RegionFacts(tuple(some), known)
            rows.append([verdict_of(sense, told) for sense in ("excess", "lack", "uneven", "even")])
    stands(NAME, "verdicts", rows)


def test_words() -> None:
    shown = [
        evidence("finding", kind, size, place=place)
        for kind in (*KINDS, "tilt", "band_limit")
        for size in (2.04, -2.04)
        for place in ("", "in_room")
    ]
    shown += [evidence(key, "", size) for key in ("listening_window", "in_room") for size in (1.26, -1.26)]
    rows = [evidence_in_words(one) for one in shown]
    for direction in ("too much", "even", "uneven"):
        one = Remark("warm", Region(120.0, 350.0), direction, strength="slight")
        for verdict in ("agrees", "contradicts", "no match in the data", "not judged"):
            rows += [
                told_in_words(one, verdict, some)
                for some in ([], shown[:1], shown[:2], shown[1:3], [shown[0], shown[4], shown[5]])
            ]
    rows.append(matching.beyond_timbre_in_words(one, "agrees", "why it does"))
    bands = [
        (20.0, 40.0),
        (999.9, 1000.0),
        (1000.0, 2000.0),
        (300.0, 999.99),
        (123.456, 1234.56),
        (1234.5, 12_345.0),
        (62.53, 999.4),
    ]
    rows += [span_in_words(*band) for band in bands]
    for p_value in (0.0009, 0.00099, 0.001, 0.0011, 0.32):
        rows += [
            chance_in_words(Chance(agreed, said, 30, p_value, 0.1, 1.234, is_exact=True))
            for agreed, said in ((0, 1), (1, 1), (1, 4), (2, 4), (0, 3))
        ]
    stands(NAME, "words", rows)


def test_one_sense_is_the_hypergeometric_law() -> None:
    """N regions of which K agree, n said: scipy.stats.hypergeom."""
    agreeing = {"excess": np.arange(20) < 7}
    for said in (1, 4, 9, 20):
        law = stats.hypergeom(20, 7, said)
        for agreed in range(min(said, 7) + 1):
            found = chance(agreed, [frozenset({"excess"})] * said, agreeing)
            assert found.p_value == pytest.approx(law.sf(agreed - 1), abs=1e-12)
            assert found.p_above == pytest.approx(law.sf(agreed), abs=1e-12)
            assert found.expected == pytest.approx(said * 7 / 20)
            assert found.is_exact


def test_chances_of_several_senses() -> None:
    rows = []
    for number in range(10):
        random = np.random.default_rng([number, 3])
        pool = int(random.integers(8, 16))
        agreeing = {
            sense: random.random(pool) < share
            for sense, share in (("excess", 0.4), ("lack", 0.3), ("even", 0.6), ("uneven", 0.3))
        }
        said = [
            frozenset(random.choice(list(agreeing), random.integers(1, 3), replace=False).tolist())
            for _ in range(1 + number % 7)
        ]
        points = sum(map(len, said))
        rows += [chance(agreed, said, agreeing) for agreed in range(0, points + 1, 2)]
        if number < 3:
            rows += [chance(agreed, said, agreeing, largest_table=1) for agreed in (0, points // 2, points)]
    stands(NAME, "chances", rows)
    size = {"excess": np.ones(6, dtype=bool)}
    # (1 + 1) ways of one kind, times (1 + 1) totals.
    assert [chance(1, [frozenset({"excess"})], size, largest_table=most).is_exact for most in (3, 4, 5)] == [
        False,
        True,
        True,
    ]
    for agreed, count in ((2, 1), (0, 7), (1, 0)):
        assert tried(
            lambda agreed=agreed, count=count: chance(agreed, [frozenset({"excess"})] * count, size)
        ).startswith("ValueError")
    assert tried(lambda: chance(0, [], {})) == brief(Chance(0, 0, 0, 1.0, 0.0, 0.0, is_exact=True))


@pytest.mark.parametrize("number", range(6))
def test_sheets(number: int) -> None:
    random = np.random.default_rng([number, 4])
    known = list(heard_words().values())
    said = []
    for _ in range(3 + 2 * number):
        word = known[random.integers(len(known))]
        ways = ["too much", "too little", "even", "uneven", "sharp", "hollow"]
        way = str(random.choice(ways)) if random.random() < 0.6 else str(word.direction)
        low = word.low_hz * 2.0 ** random.uniform(-0.3, 0.3)
        said.append((word.word, way, (max(low, 10.0), min(low * word.high_hz / word.low_hz, 40_000.0))))
    if number > 1:
        said += [
            said[0],
            (said[1][0], said[1][1], (said[1][2][0], said[1][2][1] * 1.3)),
            ("wide", "too much", (20.0, 20_000.0)),
        ]
    shown = reading_of(random, "listening_window", "in_room")
    coverage = {"nominal_coverage_horizontal": figure("nominal_coverage_horizontal", 150.0, 2.0, "deg")}
    shown = Reading(shown.curves, coverage, {}, {}, {})
    found = matched(sheet(*said), shown, findings_of(random, 7))
    rows = [[one.verdict, len(one.evidence), one.chance, one.repeats, one.sentence] for one in found.remarks]
    counts = [found.count(verdict) for verdict in ("agrees", "contradicts", "no match in the data", "not judged")]
    stands(NAME, f"sheet {number}", [rows, counts, found.unheard, found.test, found.reason])


def test_what_cannot_be_tested() -> None:
    flat = reading(curve(np.full(len(AXIS), 85.0), valid_from_hz=5000.0))
    pool = [Region(100.0, 200.0), Region(6000.0, 9000.0), Region(10_000.0, 19_000.0)]
    one, two, three = (Remark("x", region, "too much", strength="clear") for region in pool)
    even = dataclasses.replace(two, direction="even")
    rows = [
        matched_remarks(some, flat, [], pool=pool)
        for some in (
            [],
            [one],
            [two],
            [two, three],
            [two, even],
            [even, dataclasses.replace(three, direction="even")],
            [one, two],
        )
    ]
    stands(
        NAME,
        "not tested",
        [
            [row.reason, row.test, [m.verdict for m in row.remarks], row.remarks[0].chance if row.remarks else 0]
            for row in rows
        ],
    )


def test_the_same_said_twice() -> None:
    """From half of what two regions cover together on: 2^(1/3) octave apart of one octave each."""
    rows = []
    for step in range(24):
        other = Region(1000.0 * 2.0 ** (step / 24.0), 2000.0 * 2.0 ** (step / 24.0))
        for direction in ("too much", "too little"):
            said = [
                Remark("x", Region(1000.0, 2000.0), "sharp", strength="clear"),
                Remark("y", other, direction, strength="clear"),
            ]
            rows.append(matching._repeated(said, 1))
    stands(NAME, "repeats", rows)
