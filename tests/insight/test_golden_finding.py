"""Findings as values: thresholds, sizes, what is told and heard, and what a gate hides; frozen over sweeps.

The values are the program's own ("frozen"). Closed cases: the three points of the threshold (the module's own words),
and Wiener's share size^3 / (size^2 + u^2).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from flaw_worlds import switches

from earwitness.insight.findings import finding as values
from earwitness.insight.findings.finding import (
    EQUALIZABLE,
    SOURCES,
    Finding,
    Kind,
    Placed,
    Resonance,
    Sized,
    audible_from_db,
    heard_of,
    height_db,
    is_alike,
    margin_db,
    threshold_db,
    told_of,
)
from golden_values import stands

NAME = "insight/findings_finding"
CURVES = ("on_axis", "listening_window", "horizontal_window", "early_reflections", "sound_power", "in_room")
KINDS: tuple[Kind, ...] = ("source", "load", "port", "near_axis", "partial", "off_axis", "vertical", "tilt")


def plain(**more: Any) -> Finding:
    given: dict[str, Any] = {
        "key": 1,
        "center_hz": 1000.0,
        "low_hz": 800.0,
        "high_hz": 1250.0,
        "size_db": 3.0,
        "u_db": 0.2,
        "q": 2.0,
        "kind": "source",
        "curves": ("on_axis",),
        "evidence": {"threshold_db": 2.0},
        "margin_db": 1.0,
        "is_equalizable": True,
        "title": "",
        "sentence": "",
    }
    return Finding(**(given | more))


def drawn_sizes(random: np.random.Generator, about_db: float) -> Mapping[str, Sized]:
    """Sizes at and about the shares that decide: all of it, a quarter off, a half, a third of a decibel."""
    found = {}
    for key in random.permutation(CURVES)[: int(random.integers(0, 7))]:
        share = float(random.choice([1.0, 1.02, 0.98, 0.76, 0.74, 1.24, 1.26, 0.52, 0.48, 0.9, 1.1, -0.5, 0.02]))
        own = float(random.choice([0.0, 0.02, 0.1, 0.2, 0.45]))
        size = share * about_db + float(random.choice([0.0, 0.0, 0.29, -0.31]))
        found[str(key)] = Sized(size, own + float(random.choice([0.0, 0.05, 0.3])), own)
    return found


def test_thresholds_over_q() -> None:
    q = np.geomspace(0.3, 120.0, 60)
    rows = [threshold_db(q), threshold_db(q, sensitive=True)]
    rows += [
        np.array([audible_from_db(one, is_peak=peak, sensitive=fine) for one in q])
        for peak in (True, False)
        for fine in (True, False)
    ]
    rows += [np.array([audible_from_db(one, is_peak=True) for one in q])]
    rows += [
        np.array([margin_db(size, one, sensitive=fine) for one in q]) for size in (-4, 4) for fine in (True, False)
    ]
    rows += [np.array([margin_db(2.0, one) for one in q])]
    stands(NAME, "thresholds", rows)
    assert threshold_db(np.array([1.0, 10.0, 50.0])) == pytest.approx([1.0, 5.0, 10.0])
    assert [height_db(size) for size in (2.0, 0.0, -2.0)] == [2.0, 0.0, 1.0]


def test_constants_of_the_module() -> None:
    stands(NAME, "constants", [values.SOURCE_BONUS_DB, sorted(EQUALIZABLE), SOURCES, values.OFF_AXIS, values.PLACES])


@pytest.mark.parametrize("number", range(8))
def test_what_a_gate_hides(number: int) -> None:
    random = np.random.default_rng([number, 1])
    one = Resonance(
        hz=float(random.uniform(150.0, 4000.0)),
        u_ln_hz=0.01,
        q=float(random.choice([0.3, 0.62, 2.0, 9.0, 25.0])),
        u_ln_q=0.2,
        size_db=float(random.choice([-9.0, -3.0, 2.0, 7.0])),
        u_db=float(random.choice([0.0, 0.4, 1.5])),
        least_q=None,
        witness="",
        seen_hz=600.0,
        seen_q=4.0,
        seen_db=3.0,
        gate_s=float(random.choice([2.5e-3, 5e-3, 9e-3])),
        fall_share=float(random.choice([0.2, 0.4])),
    )
    assert one.sure_db == pytest.approx(one.size_db**3 / (one.size_db**2 + one.u_db**2))
    grids = (np.geomspace(60.0, 900.0, 40), np.geomspace(60.0, 18_000.0, 60), np.array([one.hz]), np.zeros(0))
    stands(NAME, f"gate {number}", [one.hidden_db(hz) for hz in grids])


def test_when_a_size_is_sure_or_apart_or_larger() -> None:
    sizes = np.round(np.arange(-2.0, 2.0, 0.005), 3)
    found: dict[str, Any] = {}
    for u in (0.0, 0.1, 0.5):
        found[f"sure {u}"] = switches(sizes, [Sized(size, u, 0.0).is_sure for size in sizes])
        for own, other in ((0.0, 0.0), (0.1, 0.3), (0.3, 0.1), (0.12, 0.16)):
            fixed = Sized(-0.9, u, other)
            swept = [Sized(size, u, own) for size in sizes]
            found[f"apart {u} {own} {other}"] = switches(sizes, [one.is_apart(fixed) for one in swept])
            found[f"larger {u} {own} {other}"] = switches(sizes, [one.is_larger(fixed) for one in swept])
            found[f"smaller {u} {own} {other}"] = switches(sizes, [fixed.is_larger(one) for one in swept])
    stands(NAME, "sure", found)


@pytest.mark.parametrize("number", range(3))
def test_what_is_told_and_heard(number: int) -> None:
    random = np.random.default_rng([number, 2])
    told, alike, numbers = [], [], []
    for _ in range(300):
        about = float(random.choice([-4.0, -2.0, -1.0, 1.0, 2.0, 4.0]))
        kind = KINDS[int(random.integers(0, len(KINDS)))]
        sizes = drawn_sizes(random, about)
        one = plain(size_db=about, kind=kind, sizes=sizes, margin_db=float(random.choice([-0.5, 0.0, 0.5])))
        placed: list[Placed] = [
            one.told,
            one.heard,
            told_of(kind, about, 0.2, sizes),
            heard_of(kind, about, 0.2, sizes),
        ]
        here = [one.size_in(key) for key in CURVES]
        alike.append("y" if is_alike(sizes, about) else "n")
        told.append(",".join([*(part.place[:3] for part in placed), *(key[0] for key in one.sizes)]))
        told[-1] += f"{int(one.is_peak)}{int(one.is_audible)}" + "".join("x" if size is None else "o" for size in here)
        numbers += [part.size_db for part in placed] + [part.u_db for part in placed]
        numbers += [size for size in here if size is not None]
    stands(NAME, f"told {number}", ["".join(alike), " ".join(told), np.array(numbers)])


def test_a_dip_of_less_than_half_is_not_alike_however_uncertain() -> None:
    doubtful = {key: Sized(share * -2.0, 1.0, 1.0) for key, share in (("on_axis", 1.0), ("in_room", 0.45))}
    assert not is_alike(doubtful, -2.0)
    assert is_alike(doubtful | {"in_room": Sized(-1.1, 1.0, 1.0)}, -2.0)


def test_behind_a_gate_sizes_of_curves_do_not_count() -> None:
    resonance = Resonance(1000.0, 0.01, 8.0, 0.1, 5.0, 0.3, None, "", 990.0, 5.0, 3.0, 5e-3, 0.4)
    sizes = {"on_axis": Sized(6.0, 0.1, 0.1), "in_room": Sized(1.0, 0.1, 0.1)}
    one = plain(kind="partial", sizes=sizes, resonance=resonance)
    bare = plain(kind="partial", sizes=sizes)
    assert (one.told, one.heard) == (Placed("", 3.0, 0.2), Placed("", 3.0, 0.2))
    assert (one.size_in("in_room"), bare.size_in("in_room"), bare.size_in("sound_power")) == (3.0, 1.0, None)
    assert plain().size_in("in_room") == 3.0


def test_numbers_that_are_none_are_refused() -> None:
    """A band in rising order above zero, finite numbers, no negative uncertainty, a known kind."""
    good: tuple[dict[str, Any], ...] = (
        {},
        {"u_db": 0.0},
        {"low_hz": 1000.0, "high_hz": 1000.0},
        {"evidence": {}},
        {"size_db": 0.0},
    )
    for more in good:
        plain(**more)
    names = ("center_hz", "low_hz", "high_hz", "size_db", "u_db", "margin_db")
    bad: list[dict[str, Any]] = [{name: worth} for name in names for worth in (np.nan, np.inf)]
    bad += [{"u_db": -0.01}, {"low_hz": 0.0}, {"low_hz": -1.0}, {"low_hz": 1001.0}, {"high_hz": 999.0}]
    bad += [{"evidence": {"a": 1.0, "b": np.nan}}, {"kind": "none"}]
    for more in bad:
        with pytest.raises(ValueError, match="finding"):
            plain(**more)


def test_peaks_and_dips() -> None:
    assert [plain(size_db=size).is_peak for size in (-1.0, 0.0, 1.0)] == [False, False, True]
    assert [plain(margin_db=size).is_audible for size in (-1.0, 0.0, 1.0)] == [False, False, True]
    assert list(replace(plain(), sizes={"zz": Sized(1.0, 0, 0), "in_room": Sized(1.0, 0, 0)}).sizes) == [
        "in_room",
        "zz",
    ]
