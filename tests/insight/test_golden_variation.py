"""Units, sessions, pairs and charts over a population, frozen: the program's own values, held against change."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from match_worlds import brief, curve, figure

from earwitness.insight import variation as module
from earwitness.insight.compare import Candidate, Part
from earwitness.insight.variation import (
    Change,
    change,
    control,
    critical_value,
    edge_words,
    matching,
    paired,
    sessions_until_told,
    u_of_mean,
    variation,
)
from earwitness.quantities import Cause, Curve, Figure, FloatArray, log_axis
from golden_values import stands

NAME = "insight/variation"
AXIS = log_axis(40.0, 20_000.0, 24)


def families(seed: int) -> list[list[float]]:
    random = np.random.default_rng([seed, 1])
    units, repeat = random.choice([0.0, 0.1, 0.5]), random.uniform(0.05, 0.4)
    sizes = random.integers(1, 5, random.integers(2, 7))
    return [(86.0 + random.normal(0.0, units) + random.normal(0.0, repeat, size)).tolist() for size in sizes]


def test_spreads_over_units() -> None:
    rows = [variation(families(seed)) for seed in range(40)]
    stands(NAME, "units", [[row, row.is_told] if row else None for row in rows], relative=1e-4)


def test_spreads_of_special_families() -> None:
    same = [[1.0, 1.0], [2.0, 2.0], [4.0, 4.0]]
    rows = [variation(one) for one in (
        same, [[1.0, 2.0, 3.0], [], [2.0, 3.0, 5.0]], [[1.0], [], [3.0], [4.5]], [[1.0], [3.0]], [[1.0, 1.2], [3.0]],
        [[1.0], [], []], [[5.0, 5.1], [5.05, 5.05]], [[1.0, 5.0], [2.9, 3.1]])]  # fmt: skip
    stands(NAME, "special families", rows, relative=1e-4)


def test_the_mean_of_sessions() -> None:
    random = np.random.default_rng(2)
    rows = []
    for number in range(20):
        found = variation(families(number))
        told = []
        for _ in range(3):
            shared = (
                ("a", random.uniform(-0.3, 0.3)),
                ("b", random.uniform(0.0, 0.4)),
                (f"c {random.integers(2)}", 0.2),
            )
            told.append(figure("x", 1.0, random.uniform(0.1, 0.8), shared=shared))
        assert found is not None
        rows += [u_of_mean(found, told), u_of_mean(found, told[:1]), u_of_mean(replace(found, u_mean=0.01), told)]
        rows.append(u_of_mean(found, [figure("x", 1.0, 0.5), figure("x", 1.0, 0.2)]))
    stands(NAME, "means of sessions", [rows[row : row + 8] for row in range(0, len(rows), 8)], relative=1e-4)


def test_limits_and_freedom() -> None:
    rows = []
    for means in (0.0, 0.01, 0.1, 1.0, 4.0):
        for repeats in (1e-4, 0.05, 0.1, 0.5):
            for between, within in ((1, 1), (2, 6), (9, 30)):
                rows.append(
                    [*module._limits(means, repeats, between, within), module._freedom(means, repeats, between, within)]
                )
    stands(NAME, "limits", rows)


def test_critical_values() -> None:
    """Rice's bound, at the root: 2 Phi(-c) + (L / pi) exp(-c^2 / 2) is the alarm that was asked for."""
    from statistics import NormalDist

    for length in (0.0, 1.0, 20.0, 300.0):
        for alarm in (0.05, 0.01):
            found = critical_value(length, alarm=alarm)
            assert 2 * NormalDist().cdf(-found) + length / np.pi * np.exp(-(found**2) / 2) == pytest.approx(
                alarm, rel=1e-6
            )
        assert critical_value(length) == pytest.approx(critical_value(length, alarm=0.05))


def causes_of(random: np.random.Generator, microphone: str) -> tuple[Cause, ...]:
    slope = np.log2(AXIS.hz / 1000.0)
    return (
        Cause(name="scale", source="s", pull_db=np.full((1, len(AXIS)), random.uniform(0.05, 0.1)), device=microphone),
        Cause(
            name="response",
            source="s",
            pull_db=random.uniform(0.01, 0.03) * slope[None],
            part="treble",
            device=microphone,
        ),
        Cause(name="place", source="s", pull_db=0.05 * np.sin(slope)[None]),
    )


def session(
    number: int, extra_db: FloatArray | float = 0.0, *, microphone: str = "m", u: float = 0.05, **more: Any
) -> Candidate:
    random = np.random.default_rng([number, 3])
    slope = np.log2(AXIS.hz / 1000.0)
    values = 86.0 + 1.5 * np.sin(1.3 * slope) + random.normal(0.0, 0.02, len(AXIS)) + extra_db
    made = curve(values, axis=AXIS, u=u, common=0.0)
    if more.pop("causes", True):
        those = causes_of(random, microphone)
        pulled = np.sqrt(sum(cause.pull_db[0] ** 2 for cause in those))
        made = replace(made, u=np.hypot(u, pulled), causes=those)
    made = replace(made, **more.pop("changed", {}))
    figures: dict[str, Figure] = {
        key: figure(key, at + random.normal(0.0, 0.1), 0.1, "Hz")
        for key, at in (("f6", 50.0), ("f3", 60.0), ("f10", 40.0))
    }
    figures |= more.pop("figures", {})
    return Candidate(f"k{number}", f"session {number}", "stand-mount", "2026-02-02", figures, {"on_axis": made}, **more)


def kept(found: Change | None) -> Any:
    if found is None:
        return None
    return [
        brief(found.curve),
        found.band_hz,
        found.critical,
        found.parts,
        found.within_db,
        [one.key for one in found.figures],
        found.told,
        found.sentence,
    ]


EXTRAS: dict[str, FloatArray | float] = {
    "nothing": 0.0, "level": 0.12, "much": -0.6, "hump": 0.8 * np.exp(-((np.log2(AXIS.hz / 900.0) / 0.4) ** 2)),
    "tilt": 0.1 * np.log2(AXIS.hz / 1000.0), "treble": np.where(AXIS.hz > 4000.0, -0.45, 0.0),
    "many": 0.5 * np.sign(np.sin(2.0 * np.pi * np.log2(AXIS.hz / 100.0))),
}  # fmt: skip


@pytest.mark.parametrize("extra", EXTRAS)
def test_changes(extra: str) -> None:
    rows = []
    for number, (microphone, causes, u) in enumerate(
        (("m", True, 0.05), ("n", True, 0.05), ("m", False, 0.05), ("m", True, 0.01), ("m", False, 0.2))
    ):
        first = session(
            number + 1, EXTRAS[extra], u=u, causes=causes, figures={"f6": figure("f6", 50.0 + 0.3 * number, 0.1, "Hz")}
        )
        rows.append(kept(change(first, session(0, microphone=microphone, u=u, causes=causes))))
    rows.append(kept(change(session(1, EXTRAS[extra]), session(0), band_hz=(200.0, 5000.0)))[3:])
    stands(NAME, f"change, {extra}", rows)


def test_changes_that_cannot_be_told() -> None:
    one, other = session(1), session(0)
    rows: list[Any] = [
        change(one, replace(other, curves={})),
        change(replace(one, curves={}), other),
        change(one, other, key="in_room"),
        change(one, session(0, changed={"unit": "%"})),
        change(one, session(0, changed={"reference": "else"})),
    ]
    assert rows == [None] * 5
    for count in (2, 3, 4):
        band = (float(AXIS.hz[100]), float(AXIS.hz[99 + count]))
        found = change(session(1, causes=False), session(0, causes=False), band_hz=band)
        rows.append(None if found is None else [found.band_hz, found.told, found.within_db, found.critical])
    stands(NAME, "few points", rows[5:])
    without = [replace(one, figures=figures) for figures in ({}, {"f6": figure("f6", 55.0, 0.2, "Hz")})]
    stands(NAME, "few figures", [kept(change(row, other))[5:] for row in without])


def test_slow_sweep_of_a_level() -> None:
    """A change of level and a local one grow, until they are told."""
    rows = []
    hump = np.exp(-((np.log2(AXIS.hz / 900.0) / 0.3) ** 2))
    for size in np.arange(0.0, 0.6, 0.02):
        for extra, u in ((size + 0.0 * hump, 0.05), (-size * hump, 0.05), (size * hump, 0.1)):
            found = change(session(1, extra, u=u), session(0, u=u))
            assert found is not None
            rows.append([found.told, len(found.parts), round(found.within_db, 6)])
    stands(NAME, "sweep", rows)


def test_verdicts_at_their_limits() -> None:
    """Within 0.3 dB; beyond it by 1.645 u (the module's own choices)."""
    rows = []
    for within in (0.29, 0.3, 0.31, 1.0):
        for level in (0.2, 0.29, 0.31, 0.36, 0.375, 0.38, 0.39, 0.4):
            for u in (0.0, 0.05):
                for sign in (1.0, -1.0):
                    rows.append(module._told(within, [Part(100.0, 200.0, sign * level, u)]))
        rows.append(module._told(within, []))
        rows.append(module._told(within, [Part(100.0, 200.0, 0.05, 0.01), Part(300.0, 400.0, -0.9, 0.01)]))
    stands(NAME, "verdicts", rows)


def test_the_whole_band() -> None:
    """Its own uncertainty: what each cause pulls on the mean, and what of the rest is left by the band's width."""
    rows = []
    slope = np.log2(AXIS.hz / 1000.0)
    for high in (30, 40, 100, 200):
        hz, u = AXIS.hz[:high], 0.2 + 0.05 * np.abs(slope[:high])
        pulls = [0.1 + 0.0 * hz, 0.04 * slope[:high]]
        for some in ([], pulls[:1], pulls):
            for level in (0.02, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.6):
                rows.append(module._overall(hz, level + 0.02 * slope[:high], u, some))
                rows.append(module._overall(hz, -level + 0.0 * hz, u, some))
            rows.append(module._overall(hz, 5.0 + 0.3 * slope[:high], u, [*some, 0.3 + 0.0 * hz]))
    stands(NAME, "whole band", rows)
    slopes = [
        module._slope_sd(some, 0.2 + 0.05 * np.abs(slope), slope)
        for some in ([], [0.1 + 0.0 * slope], [0.1 + 0.0 * slope, 0.04 * slope], [0.5 + 0.1 * slope])
    ]
    stands(NAME, "slopes", slopes)


def test_sentences() -> None:
    parts = [
        Part(100.0, 250.0, 0.6, 0.05),
        Part(900.0, 1800.0, -0.4, 0.06),
        Part(3000.0, 5000.0, 0.3, 0.01),
        Part(6000.0, 9000.0, -0.2, 0.01),
    ]
    one, other = session(1), session(0)
    rows = []
    for told in ("same", "same though seen", "differs", "beyond", "cannot be told"):
        for within in (0.2, 0.2000001, 0.21, 0.29999999999, 0.35):
            for name in ("difference of on axis", "difference of the listening window", "early reflections"):
                for count in (0, 1, 4):
                    rows.append(module._sentence(one, other, name, (100.0, 9876.0), told, within, parts[:count]))
    stands(NAME, "sentences", rows[::2] + rows[1:20:2])
    edges = [
        edge_words(at * 2.0 ** (step / 24.0))
        for at in (100.0, 10_000.0, 1000.0)
        for step in (-1.02, -0.98, -0.3, 0.0, 0.98, 1.02)
    ]
    stands(NAME, "edges", edges)


def shape(seed: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    random = np.random.default_rng([seed, 4])
    hz = AXIS.hz[(AXIS.hz > 99.0) & (AXIS.hz < 10_100.0)]
    d = random.normal(0.0, 0.4) + random.normal(0.0, 0.05, hz.size)
    for _ in range(seed % 4):
        width = random.uniform(0.1, 0.6)
        d = d + random.normal(0.0, 0.9) * np.exp(
            -((np.log2(hz / (150.0 * 2.0 ** random.uniform(0.0, 5.0))) / width) ** 2)
        )
    return hz, d, np.full(hz.size, random.uniform(0.02, 0.3)) * (1.0 + 0.1 * np.arange(hz.size) / hz.size)


def test_pairs() -> None:
    rows = [[matching(*shape(seed)), matching(*shape(seed), critical=4.0).no_pair_hz] for seed in range(24)]
    stands(NAME, "pairs", rows)


def test_pairs_at_their_limits() -> None:
    """Steps and plateaus that grow over 0.5 dB and 1 dB, and over a third of an octave; rms over 0.25 dB."""
    hz = 100.0 * 2.0 ** (np.arange(160) / 24.0)
    u = np.full(hz.size, 0.02)
    rows = []
    for height in (0.3, 0.45, 0.46, 0.48, 0.52, 0.53, 0.56, 0.9, 1.02, 1.08, 1.2):
        for width in (6, 7, 8, 9, 10, 12):
            values = np.where((np.arange(160) > 60) & (np.arange(160) <= 60 + width), height, 0.0)
            found = matching(hz, values, u, critical=2.0 + 50.0 * (width == 10))
            rows.append([found.is_well_matched, found.apart_hz, found.no_pair_hz, round(found.offset_db, 9)])
    for size in np.arange(0.2, 0.32, 0.01):
        values = size * np.sqrt(2.0) * np.sin(np.arange(160) * 2.0 * np.pi / 5.0)
        rows.append([matching(hz, values, u).is_well_matched])
    for level in (0.03, 0.0395, 0.0405, 0.06):
        # Sixteen of 160 points pull the mean off the median by a tenth of the level.
        values = np.where(np.arange(160) < 16, level * 10.0, 0.0)
        rows.append([round(matching(hz, values, u).offset_db, 9)])
    stands(NAME, "pairs at limits", rows)
    runs = np.zeros(160, dtype=bool)
    runs[[*range(9), *range(20, 28), *range(150, 160)]] = True
    assert [len(module._wide(hz, runs)), module._wide(hz, runs)[0][0]] == [2, 100.0]


@pytest.mark.parametrize("extra", ["nothing", "hump", "much"])
def test_pairs_told(extra: str) -> None:
    more = (
        EXTRAS[extra] * np.array([1.0, 3.0])[:, None]
        if isinstance(EXTRAS[extra], np.ndarray)
        else np.array([[EXTRAS[extra]], [0.3]])
    )
    found = [change(session(1, one), session(0)) for one in more]
    stands(NAME, f"paired, {extra}", [paired(one).sentence for one in found if one is not None])
    for one in found:
        assert one is not None
        valid = one.curve.valid & (one.curve.axis.hz > 150.0)
        cut: Curve = replace(one.curve, valid=valid)
        assert paired(replace(one, curve=cut, within_db=0.2 + 1e-12)).sentence.startswith(
            "Left and right match within 0.2 dB from 100 Hz"
        )


@pytest.mark.parametrize("number", range(8))
def test_charts(number: int) -> None:
    random = np.random.default_rng([number, 5])
    values = 86.0 + random.normal(0.0, (0.02, 0.1, 0.3)[number % 3], 8 + 5 * number)
    values[8 + number :] += (0.0, 0.3, 1.5)[number % 3]
    found = control(values.tolist(), figures=1 + 2 * (number % 3))
    plain = control(values.tolist())
    assert found is not None
    assert plain is not None
    stands(
        NAME,
        f"chart {number}",
        [
            found.baseline,
            found.mean,
            found.sd,
            found.ewma,
            found.ewma_limit,
            found.single_limit,
            found.alarm,
            found.drifted,
            plain.alarm,
            [sessions_until_told(step, found) for step in (0.1, 0.3, 1.0, -0.2, -1.0)],
            sessions_until_told(0.5, found, figures=5),
        ],
    )


def test_too_few_sessions() -> None:
    assert control([1.0] * 7) is None
    assert control([1.0] * 7 + [np.nan]) is None
    eight = control([1.0] * 8)
    assert eight is not None
    assert not eight.drifted
    # The prior alone: 4 sessions' worth of 0.1 dB over 11 degrees of freedom.
    assert eight.sd == pytest.approx(np.sqrt(4 * 0.1**2 / 11))
    told = []
    for step in np.arange(0.0, 1.0, 0.02):
        found = control([1.0] * 8 + [1.0 + step] * 6)
        assert found is not None
        told.append("".join("x" if one else "." for one in found.alarm) + ("!" if found.drifted else ""))
    stands(NAME, "steps", told)
    down = control([1.0] * 8 + [0.0, 1.0])
    assert down is not None
    stands(NAME, "one slip", [down.alarm, down.ewma, down.drifted])
