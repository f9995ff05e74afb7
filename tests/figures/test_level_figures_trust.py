"""Uncertainty, band and lineage of the level figures, and limits at the first points of a curve; closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from earwitness.figures.bandwidth import lower_limit
from earwitness.figures.linearity import FittedLine, deviations, slope
from earwitness.figures.rating import CAVEATS, preference_rating
from earwitness.figures.sampling import band_grid
from earwitness.figures.sensitivity import band_level, band_means
from earwitness.figures.uncertainty import Drawn, alone, draws_of
from earwitness.figures.windows import DirectionalLevels, windows
from earwitness.quantities import Cause, Curve, Directions, FrequencyAxis, cta_orbits, on_orbit
from earwitness.quantities.arrays import BoolArray, FloatArray
from earwitness.quantities.response import u_of_causes_db

LINEAGE = ("step-1",)
# The figures' own points, 20 an octave from 100 Hz, so that nothing is interpolated.
POINTS = 100.0 * 2.0 ** (np.arange(-40, 155) / 20)


def curve(
    values: FloatArray,
    hz: FloatArray = POINTS,
    *,
    u: FloatArray | float = 0.2,
    u_common: FloatArray | float = 0.0,
    valid: BoolArray | None = None,
) -> Curve:
    flat, mask = np.zeros_like(hz), np.ones(hz.size, bool) if valid is None else valid
    return Curve("c", "the curve", FrequencyAxis(hz), values, flat + u, flat + u_common, mask, "dB", "x", LINEAGE)


def shared(values: FloatArray, *pulls: FloatArray, hz: FloatArray = POINTS) -> Drawn:
    """A curve moved by causes alone, each with a pull (F,), drawn often enough to know u to 1.5 % (2 / sqrt(2 N))."""
    causes = tuple(Cause(name=f"cause {i}", source="test", pull_db=pull[None, :]) for i, pull in enumerate(pulls))
    total = u_of_causes_db(causes, 1, hz.size)[0]
    return alone(replace(curve(values, hz, u=0.0, u_common=total), causes=causes), 20_000)


def one_at(hz: float, u: float) -> FloatArray:
    """A pull on a single point."""
    return np.where(np.arange(POINTS.size) == np.argmin(np.abs(POINTS - hz)), u, 0.0)


def test_uncertainty_of_the_largest_deviations_is_that_of_their_points() -> None:
    """Law of propagation (JCGM 100, 5.1.2): point and reference for either side, both points by half for the range."""
    top, bottom = int(np.argmin(np.abs(POINTS - 800.0))), int(np.argmin(np.abs(POINTS - 3200.0)))
    values = np.full_like(POINTS, 85.0)
    values[top], values[bottom] = 88.0, 81.0
    drawn = shared(values, one_at(800.0, 0.3), one_at(3200.0, 0.4))
    reference = 85.0 + np.append(0.0, 0.6 * draws_of("reference", 20_000))
    found = deviations(drawn, reference, smoothing=None)
    expected = {
        "linearity_above": (3.0, np.hypot(0.3, 0.6)),
        "linearity_below": (-4.0, np.hypot(0.4, 0.6)),
        "linearity_half_range": (3.5, 0.5 / 2),
    }
    for key, (value, u_value) in expected.items():
        one = found[key]
        assert (one.value, one.u) == (pytest.approx(value), pytest.approx(u_value, rel=0.025)), key
        assert (one.key, one.unit, one.band_hz, one.lineage) == (key, "dB", (100.0, 10_000.0), LINEAGE)
        assert "no smoothing" in one.method
    refused = deviations(curve(values, valid=POINTS > 150.0), 85.0, smoothing=None)
    for key in expected:
        assert (refused[key].key, refused[key].unit, refused[key].band_hz) == (key, "dB", (100.0, 10_000.0))
        assert refused[key].lineage == LINEAGE


def test_deviations_are_smoothed_over_a_twelfth_octave_unless_told_otherwise() -> None:
    """A ripple of three periods an octave, energy mean over a twelfth: sin(pi/4) / (pi/4) of it to first order."""
    hz = 100.0 * 2.0 ** (np.arange(-480, 3600) / 480)
    small = curve(0.01 * np.cos(2 * np.pi * 3.0 * np.log2(hz / 1600.0)), hz)
    plain, smooth = (deviations(small, 0.0, smoothing=n)["linearity_above"] for n in (None, 12))
    assert plain.value == pytest.approx(0.01, rel=1e-6)
    assert smooth.value == pytest.approx(0.01 * np.sin(np.pi / 4) / (np.pi / 4), rel=5e-3)
    assert deviations(small, 0.0)["linearity_above"].value == smooth.value
    assert "1/12 octave smoothing" in smooth.method


def test_uncertainty_of_a_slope_follows_the_pull_of_its_points() -> None:
    """u = |sum x pull| / sum x^2 for a cause, and a cause alike at all frequencies moves no slope."""
    hz = band_grid(100.0, 10_000.0)
    x = np.log2(hz)
    x = x - x.mean()
    pull = 0.1 + 0.05 * np.abs(np.log2(POINTS / 1000.0)) * (POINTS > 1000.0)
    line = slope(shared(0.5 * np.log2(POINTS / 1000.0), pull, np.full_like(POINTS, 0.4)))
    assert isinstance(line, FittedLine)
    here = 0.1 + 0.05 * np.abs(np.log2(hz / 1000.0)) * (hz > 1000.0)
    assert line.slope.u == pytest.approx(abs(float(x @ here)) / float(x @ x), rel=0.02)
    assert line.slope.value == pytest.approx(0.5)
    assert (line.residual_db, line.r_squared) == (pytest.approx(0.0, abs=1e-9), pytest.approx(1.0))
    assert (line.slope.key, line.slope.unit, line.slope.band_hz) == ("slope", "dB/octave", (100.0, 10_000.0))
    assert line.slope.lineage == LINEAGE
    named = slope(curve(np.zeros_like(POINTS)), key="tilt", band_hz=(200.0, 5000.0))
    assert isinstance(named, FittedLine)
    assert (named.slope.key, named.slope.band_hz) == ("tilt", (200.0, 5000.0))
    gone = slope(curve(np.zeros_like(POINTS), valid=POINTS < 5000.0))
    assert not isinstance(gone, FittedLine)
    assert (gone.key, gone.unit, gone.band_hz, gone.lineage) == ("slope", "dB/octave", (100.0, 10_000.0), LINEAGE)


def test_the_rest_of_a_line_is_an_effective_value() -> None:
    """A ripple of amplitude 1 over whole periods leaves 1 / sqrt 2, and r^2 is slope's share of the variance."""
    hz = band_grid(100.0, 10_000.0)
    octaves = np.log2(hz / 100.0)
    values = 0.8 * octaves + np.sin(2 * np.pi * 2.0 * octaves)
    line = slope(curve(values, hz))
    assert isinstance(line, FittedLine)
    fit = np.polyfit(octaves, values, 1)
    left = values - np.polyval(fit, octaves)
    assert line.slope.value == pytest.approx(fit[0])
    assert line.residual_db == pytest.approx(float(np.sqrt(np.mean(left**2))))
    assert line.r_squared == pytest.approx(1 - float(np.var(left) / np.var(values)))


def test_sensitivity_weighs_what_a_cause_does_by_energy() -> None:
    """Half of the points 10 dB louder: they carry 10 / 11 of the energy, and of the pull."""
    hz = 300.0 * 2.0 ** (np.arange(0, 67) / 20)
    loud = np.arange(67) % 2 == 0
    values = np.where(loud, 90.0, 80.0)
    energy = 10 ** (values / 10)
    drawn = shared(values, np.where(loud, 0.03, 0.06), np.full(67, 0.04), hz=hz)
    found = band_level(drawn, band_hz=(300.0, 3000.0))
    share = energy / energy.sum()
    own = float(share[loud].sum() * 0.03 + share[~loud].sum() * 0.06)
    assert found.value == pytest.approx(10 * np.log10(energy.mean()))
    assert found.u == pytest.approx(np.hypot(own, 0.04), rel=0.02)
    assert (found.key, found.unit, found.band_hz, found.lineage) == ("sensitivity", "dB", (300.0, 3000.0), LINEAGE)
    gone = band_level(curve(values, hz, valid=hz > 500.0), key="other")
    assert (gone.value, gone.key, gone.unit, gone.band_hz, gone.lineage) == (
        None,
        "other",
        "dB",
        (300.0, 3000.0),
        LINEAGE,
    )


def test_a_limit_right_below_the_start_is_found() -> None:
    """From 0 dB at 300 Hz to -12 dB half an octave lower: 6 dB down a quarter of an octave below the start."""
    hz = np.array([150.0, 300.0 * 2**-0.5, 300.0, 600.0])
    for valid in (np.ones(4, bool), np.array([False, True, True, True])):
        one = curve(np.array([-30.0, -12.0, 0.0, 0.0]), hz, valid=valid, u=0.0, u_common=0.2)
        found = lower_limit(alone(one, 20_000), 0.0, 6.0, key="f6")
        assert found.value == pytest.approx(300.0 * 2**-0.25)
        # 24 dB an octave there.
        assert found.u == pytest.approx(300.0 * 2**-0.25 * np.log(2) * 0.2 / 24.0, rel=0.02)


def test_a_curve_whose_lowest_point_alone_is_in_doubt_gives_no_bound() -> None:
    hz = np.array([75.0, 150.0, 300.0, 600.0])
    found = lower_limit(curve(np.zeros(4), hz, valid=np.array([False, True, True, True])), 0.0, 6.0, key="f6")
    assert found.value is None
    assert "150 Hz only" in found.reason


def test_a_curve_that_begins_at_the_start_gives_a_bound() -> None:
    hz = np.array([300.0, 600.0, 1200.0])
    found = lower_limit(curve(np.zeros(3), hz), 0.0, 6.0, key="f6")
    assert (found.value, found.bound) == (pytest.approx(300.0), "at most")


def test_a_curve_that_only_touches_the_limit_has_not_fallen() -> None:
    """At 150 Hz it stands on the limit; it crosses 6 of the 20 dB below 75 Hz."""
    hz = 300.0 * 2.0 ** np.arange(-3.0, 2.0)
    found = lower_limit(curve(np.array([-20.0, 0.0, -6.0, 0.0, 0.0]), hz), 0.0, 6.0, key="f6")
    assert found.value == pytest.approx(75.0 * 2**-0.3)


@pytest.mark.parametrize(("lost", "words"), [(6, ""), (7, " and 1 more"), (9, " and 3 more")])
def test_what_a_component_lacks_is_listed_up_to_six(lost: int, words: str) -> None:
    directions = cta_orbits()
    rows, angles = on_orbit(directions, "horizontal")
    gone = [row for row, angle in zip(rows, angles, strict=True) if abs(angle) >= 90.0][:lost]
    kept: Directions = directions.take(np.array([row for row in range(len(directions)) if row not in gone]))
    shape = (len(kept), 1)
    levels = DirectionalLevels(
        FrequencyAxis(np.array([1000.0])),
        kept,
        np.zeros(shape),
        np.zeros(shape),
        np.zeros(1),
        np.ones(shape, bool),
        "x",
    )
    told = windows(levels).missing["rear_wall"]
    assert told.startswith(f"{lost} of 19 positions were not measured: ")
    assert told.count("°") == 6
    assert told.endswith("°" + words)


def test_a_rating_of_exact_curves_is_exact_and_keeps_all_its_caveats() -> None:
    """Without uncertainty of any part there is none of the rating; an in-room curve without variance is told beside
    what is told of every rating."""
    flat = curve(np.zeros_like(POINTS), u=0.0)
    found = preference_rating(flat, flat, flat, flat, ideal_subwoofer=True)
    assert found.u == pytest.approx(0.0, abs=1e-12)
    assert found.caveats[: len(CAVEATS)] == CAVEATS
    assert len(found.caveats) == len(CAVEATS) + 1
    assert "no variance" in found.caveats[-1]


def test_a_rating_knows_no_level_and_its_bass_stands_on_the_window_from_300_hz_to_10_khz() -> None:
    """The formula holds differences alone; the window's energy mean and its uncertainty set where the bass ends."""
    tilt = 0.4 * np.log2(POINTS / 1000.0)
    # Steeper downward, so that another reference gives another limit.
    power = curve(-0.5 * np.maximum(np.log2(300.0 / POINTS), 0.0) ** 2 * 6.0, u=0.3)
    on, room, window = curve(np.zeros_like(POINTS), u=0.1), curve(-tilt, u=0.1), curve(3.0 * tilt, u=0.5)
    here = preference_rating(on, room, power, window)
    up = [curve(one.values + 80.0, u=one.u) for one in (on, room, power, window)]
    there = preference_rating(*up)
    assert here.value is not None
    assert (there.value, there.u) == (pytest.approx(here.value), pytest.approx(here.u))
    level = band_level(window, band_hz=(300.0, 10_000.0))
    assert level.value is not None
    bass = lower_limit(power, level.value, 6.0, key="b")
    assert bass.value is not None
    shifted = preference_rating(on, room, power, curve(window.values - level.value, u=0.5))
    bass_flat = lower_limit(power, 0.0, 6.0, key="b")
    assert bass_flat.value is not None
    assert shifted.value is not None
    assert here.value - shifted.value == pytest.approx(-4.31 * np.log10(bass.value / bass_flat.value), abs=1e-6)


def test_a_reference_is_exact_unless_its_draws_are_told() -> None:
    flat = shared(np.full_like(POINTS, 85.0), np.full_like(POINTS, 0.2))
    assert deviations(flat, 85.0, smoothing=None)["linearity_above"].u == pytest.approx(0.2, rel=0.02)
    assert deviations(flat, band_means(flat), smoothing=None)["linearity_above"].u == pytest.approx(0.0, abs=1e-9)
