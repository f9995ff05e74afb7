"""Words, remarks and seals over a population, frozen: the program's own values, held against change."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import numpy as np
import pytest
from listening_worlds import sheet
from match_worlds import figure, tried

from earwitness.insight import words
from earwitness.insight.listening import remark
from earwitness.insight.listening.remark import Region, Remark
from earwitness.insight.words import REGIONS, VOCABULARY, decibels, overlap, region, usual_words, value_and_spread, word
from golden_values import stands

NAME = "insight/words"


def test_regions_at_their_limits() -> None:
    """A region holds its lower limit, the next one its upper."""
    for name, low_hz, high_hz in REGIONS:
        assert region(low_hz) == name
        assert region(high_hz * 0.999) == name
    assert region(5.0) == region(50_000.0) == REGIONS[-1][0]


def test_the_vocabulary_and_its_lookup() -> None:
    stands(NAME, "vocabulary", VOCABULARY)
    assert [one.name if (one := word(name)) else None for name in (" Boomy ", "WARM", "warm", "no word", "")] == [
        "boomy", "warm", "warm", None, None
    ]  # fmt: skip


def test_overlaps() -> None:
    random = np.random.default_rng(1)
    rows = []
    for one in VOCABULARY[::3]:
        for _ in range(12):
            low_hz = one.low_hz * 2.0 ** random.uniform(-2.0, 2.0)
            rows.append(overlap(one, low_hz, low_hz * 2.0 ** random.uniform(0.01, 3.0)))
        bands = [
            (one.low_hz, one.high_hz),
            (one.low_hz, one.low_hz),
            (one.high_hz, one.high_hz),
            (one.low_hz / 2, one.low_hz / 2),
            (one.high_hz * 1.01, one.high_hz * 1.01),
            (one.high_hz, one.low_hz),
            (one.low_hz * 0.999, one.low_hz * 0.9),
            (one.low_hz / 4, one.low_hz),
            (one.high_hz, one.high_hz * 3),
            (one.low_hz * 1.01, 0.0),
            (one.low_hz * 1.01, -5.0),
            (one.low_hz / 2, one.high_hz * 2),
        ]
        rows += [overlap(one, *band) for band in bands]
    stands(NAME, "overlaps", [[round(float(one), 9) for one in rows[row : row + 8]] for row in range(0, len(rows), 8)])


def test_usual_words() -> None:
    random = np.random.default_rng(2)
    rows = []
    for number in range(200):
        center = 20.0 * 2.0 ** random.uniform(0.0, 10.0)
        half = 2.0 ** random.uniform(0.0, 1.5)
        found = usual_words(center, center / half, center * half * random.uniform(1.0, 1.5), rises=number % 2 == 0)
        rows.append([one.name for one in found])
    for one in VOCABULARY:
        for center in (one.low_hz, one.high_hz, one.low_hz * 0.999, one.high_hz * 1.001):
            names = usual_words(center, one.low_hz, one.high_hz, rises=one.direction == "too much", most=20)
            rows.append([found.name for found in names])
        rows.append(
            [
                found.name
                for found in usual_words(
                    math.sqrt(one.low_hz * one.high_hz), one.low_hz, one.low_hz, rises=True, most=1
                )
            ]
        )
    # A point, and a band given the wrong way round: its width counts as none.
    for low_hz, high_hz in ((1000.0, 1000.0), (2000.0, 500.0), (1000.0, 1100.0)):
        rows.append([one.name for one in usual_words(1000.0, low_hz, high_hz, rises=True, most=9)])
    stands(NAME, "usual words", rows)


def test_values_in_words() -> None:
    """One digit of the uncertainty, by hand."""
    given = [
        (12.3456, 0.0),
        (12.3456, -1.0),
        (0.0123456, 0.0),
        (12.3456, 0.04),
        (12.3456, 0.1),
        (12.3456, 0.99),
        (12.3456, 1.0),
        (12.3456, 5.0),
        (123.456, 20.0),
        (-3.25, 0.3),
        (12.3456, 0.0023),
        (12.3456, 1.05),
    ]
    assert [value_and_spread(*one) for one in given] == [
        "12.3",
        "12.3",
        "0.0123",
        "12.35 ± 0.04",
        "12.3 ± 0.1",
        "12.3 ± 1.0",
        "12 ± 1",
        "12 ± 5",
        "123 ± 20",
        "-3.2 ± 0.3",
        "12.346 ± 0.002",
        "12 ± 1",
    ]
    given_db = [
        (3.21, 0.3, ""),
        (3.21, 0.3, "+"),
        (-3.21, 0.01, "+"),
        (3.21, 0.0, ""),
        (1.0, 0.049, ""),
        (1.0, 0.08, ""),
    ]
    assert [decibels(*one) for one in given_db] == [
        "3.2 ± 0.6", "+3.2 ± 0.6", "-3.2 ± 0.1", "3.2 ± 0.1", "1.0 ± 0.1", "1.0 ± 0.2"
    ]  # fmt: skip


def test_bands() -> None:
    rows = [tried(lambda band=band: Region(*band).octaves) for band in (
        (0.0, 100.0), (-1.0, 100.0), (0.5, 100.0), (100.0, 100.0), (200.0, 100.0), (100.0, math.inf), (math.nan, 5.0),
        (0.01, 0.5), (1.0, 2.0), (1e-3, 1.0))]  # fmt: skip
    random = np.random.default_rng(3)
    for _ in range(60):
        low, other = 100.0 * 2.0 ** random.uniform(0.0, 3.0, 2)
        one, two = (
            Region(low, low * 2.0 ** random.uniform(0.1, 3.0)),
            Region(other, other * 2.0 ** random.uniform(0.1, 3.0)),
        )
        rows += [one.shares(two), one.likeness(two), one.center_hz, one.octaves]
    stands(NAME, "bands", [rows[row : row + 8] for row in range(0, len(rows), 8)])


def remarked(word_: str, direction: str) -> Remark:
    return Remark(word_, Region(20.0, 20_000.0), direction, strength="clear")  # type: ignore[arg-type]


def test_words_beyond_timbre() -> None:
    stands(NAME, "attributes", [remark.ATTRIBUTES, remark.attribute_words(), list(remark.heard_words().items())])
    assert [remark.is_attribute(remarked(one, "even")) for one in ("wide", "warm", "buzzing")] == [True, False, True]


def test_coverage_against_width() -> None:
    """At 100 and 140 degrees, and within one degree of them, for both words and both directions."""
    rows = []
    for degrees in (60.0, 98.0, 98.9, 99.0, 99.1, 100.0, 101.0, 120.0, 139.0, 140.0, 140.9, 141.0, 141.1, 160.0):
        for u in (0.0, 0.2, 0.5, 20.0):
            known = {"nominal_coverage_horizontal": figure("nominal_coverage_horizontal", degrees, u, "deg")}
            for word_, direction in (("wide", "too much"), ("narrow", "too little"), ("narrow", "too much")):
                rows.append(remark.judge(remarked(word_, direction), known, 80.0))
    stands(NAME, "width", [f"{verdict}: {why}" if row % 9 == 0 else verdict for row, (verdict, why) in enumerate(rows)])
    assert remark.judge(remarked("wide", "too much"), {}, 80.0)[0] == "not judged"


@pytest.mark.parametrize(("base", "unit", "limits"), [
    ("compression_at_level", "dB", (0.5, 1.0)), ("distortion_at_level", "%", (1.0, 3.0))
])  # fmt: skip
def test_levels_against_dynamics_and_noises(base: str, unit: str, limits: tuple[float, float]) -> None:
    rows: list[Any] = []
    words_of = ("dynamic", "compressed") if base.startswith("comp") else ("distorted", "free of distortion")
    for at_db in (75.0, 86.0, 90.0, 94.0, 104.0, 105.0):
        for value in (
            0.0,
            limits[0] - 0.2,
            limits[0] - 0.19,
            limits[0],
            limits[1],
            limits[1] + 0.19,
            limits[1] + 0.2,
            5.0,
        ):
            for bound in ("", "at most"):
                known = {
                    f"{base}@{at_db:g} dB": figure(base, value, 0.1, unit, bound=bound),
                    f"{base}@70 dB": figure(base, 0.11, 0.05, unit),
                    "sensitivity": figure("sensitivity", 5.0, 0.1),
                }
                for level_db in (74.0, 76.0, 84.0, 84.1, 96.0):
                    verdicts = [
                        remark.judge(remarked(one, way), known, level_db)
                        for one in words_of for way in ("too much", "too little")
                    ]  # fmt: skip
                    rows.append(
                        [verdict[0] for verdict, _ in verdicts] + ([verdicts[0][1]] if len(rows) % 24 == 0 else [])
                    )
    stands(NAME, base, ["".join(letter if len(letter) == 1 else f" {letter}" for letter in row) for row in rows])
    assert (
        remark.judge(remarked(words_of[0], "too much"), {f"{base}x@70 dB": figure(base, 1.0, 0.1)}, 70.0)[0]
        == "not judged"
    )


def test_several_levels() -> None:
    """The lowest level at or above the peaks decides; numbers are compared as numbers."""
    known = {f"distortion_at_level@{at} dB": figure("d", at / 20.0, 0.05, "%") for at in (100, 80, 90, 95)}
    rows = [remark.judge(remarked("distorted", "too much"), known, level)[1] for level in np.arange(65.0, 97.0, 2.5)]
    stands(NAME, "several levels", rows)


@pytest.mark.parametrize("word_", ["deep stage", "focused", "buzzing"])
def test_silent_words(word_: str) -> None:
    stands(NAME, f"silent {word_}", remark.judge(remarked(word_, "too much"), {}, 80.0))


def test_the_level_at_one_meter() -> None:
    """Less 6 dB for two in a room, 3 dB for one (the docstring), and the distance law."""
    made = sheet(("warm", "too much", (100.0, 300.0)))
    for pieces, gain in ((1, 3.0), (2, 6.0), (3, 6.0)):
        one = made.model_copy(update={"pieces": pieces})
        assert remark.level_at_1m_db(one) == pytest.approx(78.0 + 20 * math.log10(2.5) - gain)


def test_remarks_and_seals() -> None:
    made = sheet(
        ("warm", "too much", (120.0, 350.0)),
        ("sharp", "sharp", (3000.0, 9000.0)),
        ("dip", "hollow", (400.0, 900.0)),
        ("rough", "uneven", (1000.0, 2000.0)),
        ("smooth", "even", (1000.0, 9000.0)),
        ("thin", "too little", (80.0, 400.0)),
    )
    found = remark.remarks_of(made)
    stands(NAME, "remarks", [[one, one.sense] for one in found])
    clock = datetime(2026, 11, 25, 12, 30, 15, 999_000, tzinfo=timezone(timedelta(hours=2)))
    one = remark.seal(made, lambda: clock)
    stands(NAME, "seal", one)
    assert one.sealed_at == "2026-11-25T10:30:15+00:00"
    assert datetime.fromisoformat(one.sealed_at).tzinfo == UTC
    assert remark.unsealed(one.facts, one.sealed_at, one.sha256) == made
    assert tried(lambda: remark.unsealed(one.facts + " ", one.sealed_at, one.sha256)).startswith("ArchiveError")
    assert remark.canonical({"b": 1.5, "a": "ä", "c": [True, None]}) == '{"a":"ä","b":1.5,"c":[true,null]}'
    with pytest.raises(ValueError, match="JSON"):
        remark.canonical({"a": math.nan})


def test_the_share_from_which_a_word_fits() -> None:
    """Bands that slide out of a word's region in steps of a fiftieth of an octave."""
    rows = []
    for rises in (True, False):
        for step in range(60):
            low_hz = 250.0 * 2.0 ** (step / 50.0)
            rows.append([one.name for one in usual_words(400.0, low_hz, low_hz * 3.0, rises=rises, most=20)])
    stands(NAME, "share", rows)
    assert words.overlap(next(one for one in VOCABULARY if one.name == "boomy"), 150.0 / 2, 300.0) == pytest.approx(
        1.0 / math.log2(150.0 / 60.0)
    )
