"""What the study of aims says to findings: fields by formula, whose best aim and whose dip at every aim are known."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import special

from earwitness.figures.read import levels_of, read_response
from earwitness.figures.windows import DirectionalLevels
from earwitness.insight.findings import Finding, find
from earwitness.insight.mend.aim import aim_study, answer, with_aim, without_aim
from earwitness.quantities import DirectionalResponse, cta_orbits, report_axis

AXIS, DIRECTIONS = report_axis(), cta_orbits()
HZ, VECTORS = AXIS.hz, DIRECTIONS.unit_vectors()
OFF_RAD = np.arccos(np.clip(VECTORS[:, 0], -1.0, 1.0))[:, None]
DIP_DB, DIP_HZ, SPREAD_DEG = -6.0, 2500.0, 8.0


def response(pressure: NDArray[np.complex128], *, u_db: float = 0.02) -> DirectionalResponse:
    u, common = np.full(pressure.shape, u_db), np.full(HZ.size, 0.1)
    return DirectionalResponse(AXIS, DIRECTIONS, pressure, u, common, np.ones(pressure.shape, dtype=bool))


def rim(radius_m: float = 0.14, share: float = 0.4) -> NDArray[np.complex128]:
    """A point in the middle of a round baffle whose rim sends a share back, turned over: the far field of a ring is
    J0(k a sin theta) (textbook). On the axis the whole rim arrives at once, off the axis it blurs."""
    k = 2 * np.pi * HZ / 343.0
    ring = special.j0(k * radius_m * np.sin(OFF_RAD)) * np.exp(-1j * k * radius_m)
    return np.asarray(0.2 * (1 - share * ring), dtype=np.complex128)


def near_dip() -> NDArray[np.complex128]:
    """A bell of DIP_DB (W3C Audio EQ Cookbook, 2021) whose size in dB falls off the axis as exp(-(theta/8)^2)."""
    s, a, q = 1j * HZ / DIP_HZ, 10 ** (DIP_DB / 40), 4.0
    bell = np.abs((s**2 + s * a / q + 1) / (s**2 + s / (a * q) + 1))
    return np.asarray(0.2 * bell ** np.exp(-((np.rad2deg(OFF_RAD) / SPREAD_DEG) ** 2)), dtype=np.complex128)


def rougher_off_axis(levels: DirectionalLevels, *, most_db: float = 3.0) -> DirectionalLevels:
    """The same with a ripple that grows over the first 20 degrees off the axis."""
    wave = np.sin(2 * np.pi * 3 * np.log2(HZ / 1000.0))
    return replace(
        levels, level_db=levels.level_db + most_db * np.minimum(np.rad2deg(OFF_RAD) / 20.0, 1.0) * wave[None, :]
    )


def found_in(pressure: NDArray[np.complex128]) -> tuple[Finding, ...]:
    one = response(pressure)
    return find(read_response(one), one)


def the_dip() -> Finding:
    return next(f for f in found_in(near_dip()) if f.kind == "near_axis")


def test_a_loudspeaker_that_is_smoother_off_its_axis_is_said_to_be() -> None:
    """On the axis the rim makes peaks of 20 lg(1.4) and dips of 20 lg(0.6); where J0 is small it makes none."""
    found = found_in(rim())
    one = next(f for f in found if f.kind == "near_axis" and not f.is_peak)
    study = aim_study(levels_of(response(rim())), symmetric=True)
    said = answer(one, study, found)
    assert said.is_better
    assert said.orbit == "horizontal"
    assert said.try_deg == said.gain_deg == study.best_deg

    def left(deg: float) -> float:
        return float(special.j0(2 * math.pi * one.center_hz / 343.0 * 0.14 * math.sin(math.radians(deg))))

    # Where it is sent the rim has blurred by half and more at the dip: J0(k a sin theta) < 1/2.
    assert left(said.try_deg) < 0.5
    assert said.gain_db == pytest.approx(study.margin_db)
    assert said.rougher_db == pytest.approx(-said.gain_db)
    # The window about that axis itself, put down from the formula, is smoother than the one on axis.
    assert window_ripple_db(said.try_deg) < window_ripple_db(0.0)
    assert f"Aim it {said.try_deg:.0f}° off the axis: that is smoother by {said.gain_db:.2f} dB rms" in said.sentence


def window_ripple_db(aim_deg: float) -> float:
    """Standard deviation from 500 Hz to 8 kHz of the window's horizontal part about an aim, from the formula alone."""
    hz = np.geomspace(500.0, 8000.0, 400)
    k = 2 * np.pi * hz / 343.0
    energy = np.zeros(hz.size)
    for angle in (0, 10, -10, 20, -20, 30, -30):
        ring = special.j0(k * 0.14 * math.sin(math.radians(abs(aim_deg + angle)))) * np.exp(-1j * k * 0.14)
        energy += np.abs(1 - 0.4 * ring) ** 2
    return float(np.std(10 * np.log10(energy)))


def test_where_none_is_better_the_smallest_turn_that_halves_the_dip_is_named_with_its_cost() -> None:
    one = the_dip()
    study = aim_study(rougher_off_axis(levels_of(response(near_dip()))), symmetric=True)
    said = answer(one, study)
    assert study.best_deg == 0.0
    assert not said.is_better
    # exp(-(5/8)^2) is 0.68, as a mean of 0 and 10 degrees 0.60; exp(-(10/8)^2) is 0.21.
    assert said.try_deg == 10.0
    assert said.size_there_db is not None
    assert said.size_ahead_db is not None
    assert said.size_there_db / said.size_ahead_db == pytest.approx(math.exp(-((10 / SPREAD_DEG) ** 2)), abs=0.08)
    ahead, there = (next(a for a in study.aims if a.angle_deg == deg) for deg in (0.0, 10.0))
    assert said.rougher_db == pytest.approx(there.roughness_db - ahead.roughness_db)
    assert said.rougher_db > 0
    assert "Re-aiming does not help" in said.sentence
    assert f"At 10° off the axis this dip is {abs(said.size_there_db):.1f} dB instead of" in said.sentence
    assert f"{abs(said.size_ahead_db):.1f} dB on axis." in said.sentence
    assert f"rougher there by {said.rougher_db:.2f} dB" in said.sentence


def test_where_left_and_right_differ_the_answer_names_the_side() -> None:
    """The dip is gone 10 degrees to the right of the axis and stays to its left."""
    pressure = near_dip()
    pressure[VECTORS[:, 1] > 1e-6] = pressure[np.argmin(OFF_RAD)]
    one = next(f for f in found_in(near_dip()) if f.kind == "near_axis")
    said = answer(one, aim_study(rougher_off_axis(levels_of(response(pressure))), symmetric=False))
    assert said.try_deg == -10.0
    assert "At 10° off the axis to its own right this dip" in said.sentence


def test_a_dip_that_every_aim_shows_alike_gets_no_aim_to_try() -> None:
    one = replace(the_dip(), curves=("on_axis",))
    s, a = 1j * HZ / DIP_HZ, 10 ** (DIP_DB / 40)
    everywhere = np.tile(0.2 * np.abs((s**2 + s * a / 4 + 1) / (s**2 + s / (a * 4) + 1)), (len(DIRECTIONS), 1))
    said = answer(one, aim_study(levels_of(response(np.asarray(everywhere, dtype=np.complex128)))))
    assert (said.try_deg, said.is_better, said.size_there_db) == (0.0, False, None)
    assert "Re-aiming does not help" in said.sentence
    assert "this dip" not in said.sentence


def test_a_lead_within_its_uncertainty_is_called_so() -> None:
    sure = aim_study(levels_of(response(rim())), symmetric=True)
    doubtful = replace(sure, clear=False)
    said = answer(the_dip(), doubtful)
    assert not said.is_better
    assert "within its uncertainty" in said.sentence


def test_what_only_heights_show_is_answered_by_the_vertical_study() -> None:
    # Two points 0.17 m apart, one above the other, sound together about 2 kHz: cos(k d sin(elevation) / 2) (textbook).
    both = np.exp(-((np.log2(HZ / 2000.0) / 0.35) ** 2))
    phase = 2 * np.pi * HZ / 343.0 * 0.17 * VECTORS[:, 2][:, None]
    pressure = np.asarray(0.1 * (1 + (1 - both) + both * np.exp(1j * phase)), dtype=np.complex128)
    one = next(f for f in found_in(pressure) if f.kind == "vertical")
    said = answer(one, aim_study(levels_of(response(pressure)), orbit="vertical"))
    assert said.orbit == "vertical"
    assert "above the axis" in said.sentence or "below the axis" in said.sentence


def test_the_sentence_of_the_finding_goes_on_with_the_answer_and_nothing_else_changes() -> None:
    one, study = the_dip(), aim_study(levels_of(response(near_dip())))
    said = with_aim(one, study)
    assert said.aim == answer(one, study)
    assert said.aim is not None
    assert said.sentence == f"{one.sentence} {said.aim.sentence}"
    assert replace(said, aim=None, sentence=one.sentence).title == one.title
    assert "Only another aim can mend it; do not equalize it." in said.sentence


def test_why_aims_cannot_be_studied_is_said() -> None:
    said = without_aim(the_dip(), "horizontal +40° was not measured")
    assert said.aim is None
    assert said.sentence.endswith("Other aims cannot be studied: horizontal +40° was not measured.")
