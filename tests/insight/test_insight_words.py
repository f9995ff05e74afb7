"""The vocabulary holds the regions of the project's reference and picks sensible words."""

from __future__ import annotations

import pytest

from earwitness.insight.words import VOCABULARY, overlap, region, usual_words, word


@pytest.mark.parametrize(
    ("name", "low_hz", "high_hz"),
    # Word regions as commonly used (common practice, no source; the words are listed in ITU-R BS.2399).
    [("boomy", 60, 150), ("boxy", 250, 600), ("nasal", 700, 1500), ("sibilant", 5000, 9000), ("warm", 120, 350)],
)
def test_regions_of_words(name: str, low_hz: float, high_hz: float) -> None:
    one = word(f" {name.upper()} ")
    assert one is not None
    assert (one.low_hz, one.high_hz) == (low_hz, high_hz)


def test_every_word_is_whole() -> None:
    assert len({one.name for one in VOCABULARY}) == len(VOCABULARY)
    assert all(20 <= one.low_hz < one.high_hz <= 20_000 and one.source for one in VOCABULARY)
    assert word("fluffy") is None


@pytest.mark.parametrize(
    ("center_hz", "low_hz", "high_hz", "rises", "name"),
    [
        (100.0, 75.0, 130.0, True, "boomy"),
        (240.0, 150.0, 390.0, True, "warm"),
        (600.0, 450.0, 800.0, False, "hollow"),
        (1000.0, 800.0, 1250.0, True, "nasal"),
        (2300.0, 1700.0, 3000.0, False, "recessed"),
        (6500.0, 6100.0, 6900.0, True, "sibilant"),
        (14_000.0, 11_000.0, 18_000.0, False, "closed-in"),
    ],
)
def test_usual_words(center_hz: float, low_hz: float, high_hz: float, rises: bool, name: str) -> None:
    found = [one.name for one in usual_words(center_hz, low_hz, high_hz, rises=rises, most=3)]
    assert name in found


def test_words_point_the_right_way() -> None:
    for center in (30.0, 100.0, 300.0, 1000.0, 3000.0, 9000.0, 15_000.0):
        for rises in (True, False):
            wanted = "too much" if rises else "too little"
            found = usual_words(center, center / 1.3, center * 1.3, rises=rises)
            assert all(one.direction == wanted and one.low_hz <= center <= one.high_hz for one in found)


def test_overlap_and_regions() -> None:
    boomy = word("boomy")
    assert boomy is not None
    assert overlap(boomy, 60.0, 150.0) == pytest.approx(1.0)
    assert overlap(boomy, 200.0, 400.0) == 0.0
    assert region(50.0) == "the bass"
    assert region(19_000.0) == "the upper treble"
