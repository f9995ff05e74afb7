"""The check loudspeaker's chart: run lengths of the literature, and simulated rigs with and without a drift.

Outside: average run lengths of Lucas and Saccucci, Technometrics 32 (1990) 1 (EWMA 0.2, 2.86: 370 without a shift,
9.8 at one standard deviation; values recomputed by Crowder's integral equation, Technometrics 29 (1987) 401, from
memory). Property: 300 simulated rigs.
"""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.insight import variation as module
from earwitness.insight.variation import BASELINE, control, sessions_until_told

RIGS, STEP_DB = 300, 0.3


def test_run_lengths_are_those_of_the_literature(monkeypatch: pytest.MonkeyPatch) -> None:
    """With a baseline that is known well, steady limits, and without the one for single sessions."""
    steady = 2.86 * 0.1 * np.sqrt(0.2 / 1.8)
    monkeypatch.setattr(module, "BASELINE", 4000)
    monkeypatch.setattr(module, "_chart_limits", lambda _sd, _m, after, _n: (np.full(after.size, steady), 9.0))
    for shift, length in ((0.0, 371.1), (1.0, 9.80), (2.0, 3.59)):
        lengths = []
        for seed in range(60):
            draw = np.random.default_rng([seed, 5])
            values = np.concatenate([np.tile([0.1, -0.1], 2000), draw.normal(0.1 * shift, 0.1, 4000)])
            found = control(values)
            assert found is not None
            lengths.append(int(np.flatnonzero(found.alarm)[0]) - 3999)
        assert np.mean(lengths) == pytest.approx(length, abs=3.5 * np.std(lengths) / np.sqrt(60))


@pytest.mark.parametrize("scatter", [(0.04, 0.08), (0.08, 0.15)])
def test_no_drift_is_told_of_rigs_that_stay_as_they_were(scatter: tuple[float, float]) -> None:
    """A 5 % test may alarm 24 times in 300 (binomial, 99 %); here ten sessions of two figures after the baseline."""
    told = 0
    for seed in range(RIGS):
        draw = np.random.default_rng([seed, 7])
        values = draw.normal(0, draw.uniform(*scatter), (2, BASELINE + 10))
        charts = [control(row, figures=2) for row in values]
        told += any(found is not None and found.alarm.any() for found in charts)
    assert told <= 24


def test_a_drift_is_told_within_the_sessions_that_are_stated() -> None:
    late, told = 0, []
    for seed in range(RIGS):
        draw = np.random.default_rng([seed, 8])
        size = draw.uniform(0.04, 0.1)
        before = draw.normal(0, size, BASELINE)
        known = control(before, figures=2)
        assert known is not None
        stated = sessions_until_told(STEP_DB, known, figures=2)
        after = STEP_DB + draw.normal(0, size, stated)
        found = control([*before, *after], figures=2)
        assert found is not None
        late += not found.alarm.any()
        told.append(stated)
    # 95 of 100, less what a sample of 300 may fall short of it (binomial, 99 %).
    assert late <= 24
    # A word that is always late would keep it too.
    assert np.median(told) <= 6
    assert max(told) <= 30


def test_slow_drift_is_told_and_not_taken_into_the_baseline() -> None:
    """0.02 dB a session: a baseline that went along would never see it."""
    draw = np.random.default_rng(3)
    values = draw.normal(0, 0.08, 60) + np.concatenate([np.zeros(10), 0.02 * np.arange(50)])
    found = control(values)
    assert found is not None
    assert found.drifted
    assert found.baseline == BASELINE


def test_too_few_sessions_make_no_chart() -> None:
    assert control([0.0] * (BASELINE - 1)) is None
    assert control([0.0] * BASELINE + [np.nan]) is None
