"""Limits, the switch that silences, the watchdog, the budget of the day."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rehearsal import RATE_HZ, WIRING, sweep

from earwitness.capture.guard import (
    DayBudget,
    FixedSignal,
    LimitError,
    Outlet,
    OutputCalibration,
    OutputLimits,
    Silencer,
    at_tester_db,
    faded,
    keep_budget,
    loudness_of,
    read_budget,
    require_budget,
    require_within,
)
from earwitness.errors import InputError


def _sine(peak: float, seconds: float = 1.0) -> np.ndarray:
    return peak * np.sin(2 * np.pi * 1000 * np.arange(round(seconds * RATE_HZ)) / RATE_HZ)


def test_a_signal_above_the_peak_limit_is_refused_and_one_at_the_limit_is_not() -> None:
    limits = OutputLimits(highest_dbfs=-12.0)
    require_within(_sine(10 ** (-12 / 20)), RATE_HZ, limits, None)
    with pytest.raises(LimitError, match="nothing was played"):
        require_within(_sine(10 ** (-11.9 / 20)), RATE_HZ, limits, None)


def test_levels_count_once_they_are_calibrated() -> None:
    # A sine of peak 0.1 has an rms of 0.0707, -23.01 dB: 120 - 23.01 = 96.99 dB at 1 m.
    calibration = OutputCalibration(120.0)
    loud = loudness_of(_sine(0.1), RATE_HZ, OutputLimits(), calibration)
    assert loud.level_1m_db == pytest.approx(96.99, abs=0.01)
    # Distance law: 6.02 dB less at 2 m, 3 dB more by the room; a sine's crest factor is 3.01 dB.
    assert loud.level_ear_db == pytest.approx(96.99 - 6.02 + 3.0, abs=0.01)
    assert loud.peak_ear_db == pytest.approx(loud.level_ear_db + 3.01, abs=0.01)
    require_within(_sine(0.1), RATE_HZ, OutputLimits(), None)
    with pytest.raises(LimitError, match="at 1 m"):
        require_within(_sine(0.1), RATE_HZ, OutputLimits(highest_1m_db=96.0), calibration)
    with pytest.raises(LimitError, match="at your place"):
        require_within(_sine(0.1), RATE_HZ, OutputLimits(highest_ear_db=93.0), calibration)


def test_silence_around_a_signal_does_not_make_it_quieter() -> None:
    padded = np.concatenate([np.zeros(RATE_HZ), _sine(0.1), np.zeros(RATE_HZ)])
    bare, around = (loudness_of(one, RATE_HZ, OutputLimits(), OutputCalibration(100.0)) for one in (_sine(0.1), padded))
    assert around.level_1m_db == pytest.approx(bare.level_1m_db, abs=0.01)


def test_a_limit_at_the_ear_beyond_115_db_and_samples_that_are_no_numbers_are_refused() -> None:
    with pytest.raises(InputError, match="115"):
        OutputLimits(highest_ear_db=116.0)
    with pytest.raises(LimitError, match="not numbers"):
        require_within(np.array([0.0, np.nan]), RATE_HZ, OutputLimits(), None)


def test_far_away_the_room_still_carries_the_sound() -> None:
    assert at_tester_db(100.0, OutputLimits(tester_distance_m=50.0)) == 80.0


@settings(deadline=None, derandomize=True, max_examples=50)
@given(st.integers(1, 3000), st.integers(0, 12), st.integers(1, 700))
def test_from_the_block_after_the_switch_on_only_zeros_come(count: int, pressed_after: int, frames: int) -> None:
    silencer = Silencer()
    outlet = Outlet(FixedSignal(np.full(count, 0.1)), WIRING, OutputLimits(), silencer, clock=lambda: 0.0)
    outlet.beat()
    for _ in range(pressed_after):
        outlet.pull(frames)
    silencer.silence("stop")
    assert not np.any(outlet.pull(frames))
    assert outlet.over
    silencer.silence("later")
    assert silencer.reason == "stop"


@settings(deadline=None, derandomize=True, max_examples=50)
@given(st.integers(1, 5000), st.integers(1, 900))
def test_an_outlet_plays_every_sample_once_and_only_on_the_wired_channels(count: int, frames: int) -> None:
    samples = 0.1 * np.random.default_rng(count).uniform(-1, 1, count)
    outlet = Outlet(FixedSignal(samples), WIRING, OutputLimits(), Silencer(), clock=lambda: 0.0)
    outlet.beat()
    out = []
    while not outlet.over:
        out.append(outlet.pull(frames))
    assert np.array_equal(np.concatenate(out)[:count, 0], samples.astype(np.float32))
    assert not np.any(np.concatenate(out)[count:])


def test_nothing_sounds_before_the_first_sign_of_life() -> None:
    now = [0.0]
    silencer = Silencer()
    outlet = Outlet(FixedSignal(np.full(1000, 0.1)), WIRING, OutputLimits(), silencer, clock=lambda: now[0])
    assert not np.any(outlet.pull(100))
    now[0] = 5.0
    assert not np.any(outlet.pull(100))
    outlet.beat()
    assert np.all(outlet.pull(1000)[:, 0] == np.float32(0.1))
    late = Outlet(FixedSignal(np.full(1000, 0.1)), WIRING, OutputLimits(), silencer, clock=lambda: now[0])
    late.pull(100)
    now[0] = 16.0
    assert not np.any(late.pull(100))
    assert late.over


def test_a_device_that_pauses_is_no_fault_of_the_program() -> None:
    now = [0.0]
    outlet = Outlet(
        FixedSignal(_sine(0.1, 9)), WIRING, OutputLimits(), Silencer(), watchdog_s=1.0, clock=lambda: now[0]
    )
    outlet.beat()
    for time_s in (0.5, 5.0, 12.0):
        now[0] = time_s
        assert np.any(outlet.pull(100))
        outlet.beat()


def test_without_a_sign_of_life_the_watchdog_silences() -> None:
    now = [0.0]
    silencer = Silencer()
    outlet = Outlet(FixedSignal(_sine(0.1, 9)), WIRING, OutputLimits(), silencer, watchdog_s=1.0, clock=lambda: now[0])
    outlet.beat()
    now[0] = 0.9
    assert np.any(outlet.pull(100))
    outlet.beat()
    now[0] = 1.8
    assert np.any(outlet.pull(100))
    now[0] = 2.7
    assert np.any(outlet.pull(100))
    now[0] = 2.85
    assert not np.any(outlet.pull(100))
    assert outlet.over
    assert "sign of life" in silencer.reason


@pytest.mark.parametrize("bad", [0.9, -0.9, np.nan, np.inf])
def test_a_sample_beyond_the_limit_never_leaves_the_outlet(bad: float) -> None:
    samples = np.full(400, 0.1)
    samples[250] = bad
    silencer = Silencer()
    outlet = Outlet(FixedSignal(samples), WIRING, OutputLimits(highest_dbfs=-6.0), silencer, clock=lambda: 0.0)
    outlet.beat()
    out = np.concatenate([outlet.pull(100) for _ in range(4)])
    assert np.all(np.abs(out) <= 0.5012)
    assert not np.any(out[200:])
    assert "above the set limit" in silencer.reason


def test_a_signal_that_starts_hard_is_faded_and_a_silent_edge_is_left_alone() -> None:
    hard = faded(np.full(4800, 0.1), RATE_HZ)
    assert hard[0] == 0.0
    assert abs(hard[-1]) < 1e-4
    soft = sweep()
    assert np.array_equal(faded(soft, RATE_HZ), soft)


def test_the_budget_follows_niosh() -> None:
    # NIOSH 98-126, 3 dB exchange; C8.12: 1 h at 94 dBA and 2 h at 88 dBA are a dose of 150 %.
    day = DayBudget("2026-11-01").with_exposure(94.0, 3600.0).with_exposure(88.0, 7200.0)
    assert day.dose_percent == pytest.approx(150.0)
    assert day.remaining_s(94.0) == 0.0
    # C8.5: 97 dBA for 30 min; half a dose used leaves 15 min.
    half = DayBudget("2026-11-01").with_exposure(97.0, 900.0)
    assert half.remaining_s(97.0) == pytest.approx(900.0)


def test_an_exposure_beyond_the_day_is_refused_unless_the_tester_is_away() -> None:
    day = DayBudget("2026-11-01").with_exposure(94.0, 3000.0)
    require_budget(day, 94.0, 500.0)
    with pytest.raises(InputError, match="nothing was played"):
        require_budget(day, 94.0, 700.0)
    require_budget(day, 94.0, 700.0, away=True)


def test_the_budget_is_kept_over_sessions_of_a_day_and_new_on_the_next(tmp_path: Path) -> None:
    path = tmp_path / "exposure.json"
    assert read_budget(path, "2026-11-01").exposures == ()
    keep_budget(path, DayBudget("2026-11-01").with_exposure(91.0, 60.0))
    assert read_budget(path, "2026-11-01").exposures == ((91.0, 60.0),)
    assert read_budget(path, "2026-11-02").exposures == ()
    deep, huge = "[" * 200_000, '{"day": "2026-11-01", "exposures": [[1' + "0" * 400 + ", 1]]}"
    for text in ("{", deep, huge, "[]", '{"day": 1, "exposures": [[null, 1]]}', "\udcff"):
        path.write_text(text, encoding="utf-8", errors="surrogateescape")
        with pytest.raises(InputError, match="exposure cannot be read"):
            read_budget(path, "2026-11-01")
