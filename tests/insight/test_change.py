"""Two sessions of one loudspeaker: false alarms, what is found, and what is called the same.

Sources: Rice's formula for the upcrossings of a smooth normal error, closed form for a Gaussian correlation (length
over correlation length; Davies 1977, Biometrika 64, 247, from memory): 10 octaves at half an octave give 3.1250. Two
one-sided tests (Schuirmann 1987, from memory): d = 0.12, u = 0.08 dB give 0.2516 dB. Alarms of a right 5 % test: at
most 24 of 300 in 99 of 100 runs (binomial law).
"""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.insight.compare import Candidate
from earwitness.insight.variation import Change, change, critical_value
from earwitness.quantities import Cause, Curve, report_axis
from earwitness.quantities.response import smooth_causes, u_of_causes_db

AXIS = report_axis()
HZ = AXIS.hz
NOISE_DB = 0.05


def causes(session: int) -> tuple[Cause, ...]:
    """A microphone and a calibrator of both sessions; places, voltage of each alone."""
    flat = np.ones((1, HZ.size))
    return (
        *smooth_causes("microphone", "file", np.full(HZ.size, 0.3), HZ, device="microphone M1"),
        Cause(name="calibrator", source="class 1", pull_db=flat * 0.2, device="calibrator C1"),
        Cause(name="voltage", source="1 %", pull_db=flat * 0.08),
        *smooth_causes(f"places {session}", "tape", np.full(HZ.size, 0.1), HZ),
    )


def session(number: int, rng: np.random.Generator, devices: dict[str, float], truth: np.ndarray) -> Candidate:
    """A curve as a session with drawn errors has it; devices : the errors that are the same in every session."""
    told = causes(number)
    error = np.zeros(HZ.size)
    for cause in told:
        amount = devices.setdefault(cause.key, float(rng.standard_normal())) if cause.device else rng.standard_normal()
        error += amount * cause.pull_db[0]
    # Noise that hangs together over a sixth of an octave.
    octaves = np.log2(HZ)
    white = rng.standard_normal(HZ.size)
    kernel = np.exp(-(((octaves[:, None] - octaves) * 6.0) ** 2))
    smooth = kernel @ white
    error += NOISE_DB * smooth / np.sqrt((kernel**2).sum(axis=1))
    total = np.hypot(u_of_causes_db(told, 1, HZ.size)[0], NOISE_DB)
    every = np.ones(HZ.size, dtype=bool)
    curve = Curve(
        "on_axis", "on axis", AXIS, truth + error, total, np.zeros(HZ.size), every, "dB", "dB SPL", causes=told
    )
    return Candidate(str(number), f"session {number}", "monitor", "2026-11-01", {}, {"on_axis": curve})


def pair(seed: int, step_db: np.ndarray | float = 0.0) -> Change:
    rng, devices = np.random.default_rng(seed), {}
    truth = 84.0 + 2.0 * np.sin(np.log2(HZ))
    later = session(2, rng, devices, truth + step_db)
    found = change(later, session(1, rng, devices, truth))
    assert found is not None
    return found


def test_the_critical_value_is_that_of_rices_closed_form() -> None:
    assert critical_value(10.0 / 0.5) == pytest.approx(3.1250, abs=2e-4)


def test_repeats_are_told_apart_as_rarely_as_stated() -> None:
    alarms = sum(bool(pair(1000 + seed).parts) for seed in range(300))
    assert alarms <= 24


def test_a_planted_revision_is_found_where_it_is() -> None:
    step = np.where((HZ > 2000.0) & (HZ < 4000.0), -0.8, 0.0)
    found = [pair(5000 + seed, step) for seed in range(100)]
    hit = [one for one in found if one.parts and one.parts[0].low_hz > 1500.0 and one.parts[0].high_hz < 5300.0]
    assert len(hit) >= 90
    assert np.median([one.parts[0].level_db for one in hit]) == pytest.approx(-0.8, abs=0.1)
    assert "lower by" in hit[0].sentence


def test_half_a_decibel_everywhere_is_found() -> None:
    found = [pair(7000 + seed, 0.5) for seed in range(100)]
    assert sum(bool(one.parts) for one in found) >= 90


def test_sameness_is_claimed_no_nearer_than_it_is() -> None:
    step = 0.6 * np.exp(-0.5 * (np.log2(HZ / 3000.0) / 0.1) ** 2)
    claims = [pair(9000 + seed, step).within_db for seed in range(200)]
    assert np.mean(np.array(claims) < 0.6) <= 0.05


def test_sameness_is_the_larger_of_two_one_sided_tests() -> None:
    flat = np.zeros(HZ.size)
    every = np.ones(HZ.size, dtype=bool)

    def one(level: float, u: float) -> Candidate:
        curve = Curve("on_axis", "on axis", AXIS, flat + level, flat + u, flat, every, "dB", "dB SPL")
        return Candidate(f"{level}", "x", "monitor", "2026-11-01", {}, {"on_axis": curve})

    found = change(one(0.12, 0.08), one(0.0, 0.0))
    assert found is not None
    assert found.within_db == pytest.approx(0.2516, abs=1e-4)
    # Errors of which no cause is known hang together over a sixth of an octave only: their mean is known far better.
    assert found.told == "same though seen"
    assert "same within 0.3 dB" in found.sentence


def test_what_devices_share_cancels() -> None:
    found = pair(3)
    middle = int(np.argmin(np.abs(HZ - 1000.0)))
    apart = np.sqrt(2 * (0.08**2 + 0.1**2 + NOISE_DB**2))
    assert found.curve.u_total[middle] == pytest.approx(apart, rel=0.02)


def test_curves_of_other_units_or_none_are_not_compared() -> None:
    empty = Candidate("1", "x", "monitor", "2026-11-01", {}, {})
    assert change(empty, empty) is None
