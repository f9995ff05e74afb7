"""Pressures between a table's frequencies against the exact sound of simulated loudspeakers; what pressures hold."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from earwitness.demo.world import loudspeakers, true_pressure
from earwitness.formats.scan_pressures import ScanPressures
from earwitness.quantities import report_axis
from earwitness.quantities.directions import cta_orbits
from earwitness.reduce.scan import solve_scan
from earwitness.reduce.scan_measurement import _Between, data_of_pressures, on_report_axis
from earwitness.reduce.separate import far_pressure
from earwitness.session.responses import ScanPressuresTake, ScanSetup

AXIS = report_axis().hz


@pytest.mark.parametrize("key", [one.key for one in loudspeakers()])
@pytest.mark.parametrize("an_octave", [3, 6, 10])
def test_what_drawing_may_be_wrong_by_covers_what_it_is_wrong_by(key: str, an_octave: int) -> None:
    # Exact series of the simulated bodies, within 20 dB of the loudest direction, up to where steps can be told.
    hz = 20.0 * 2.0 ** (np.arange(0, 8 * an_octave) / an_octave)
    between = _Between(hz, AXIS)
    inside = between.inside & (hz[-1] / 2 > AXIS)
    found, told = between.pressures(true_pressure(key, cta_orbits(), hz))
    truth = true_pressure(key, cta_orbits(), AXIS)
    loud = (np.abs(truth) > 0.1 * np.abs(truth).max(axis=0))[:, inside]
    error = 20 * np.log10(np.abs(found / truth))[:, inside][loud]
    u = np.abs(told)[:, inside][loud]
    between_them = (4 * between.share * (1 - between.share) > 0.3)[inside][None].repeat(70, 0)[loud]
    assert np.mean((np.abs(error) <= 2 * u + 0.01)[between_them]) >= 0.95
    assert np.mean((np.abs(error) > 4 * u + 0.02)[between_them]) <= 0.005
    # No wide guess either: what is told is of the size of what is wrong, or small.
    assert np.median(u) <= max(0.02, 6 * np.median(np.abs(error)))


def test_the_bass_of_ten_frequencies_an_octave_is_drawn_to_hundredths() -> None:
    hz = 20.0 * 2.0 ** (np.arange(0, 40) / 10)
    truth = true_pressure("thimble", cta_orbits(), AXIS)
    found, _told = _Between(hz, AXIS).pressures(true_pressure("thimble", cta_orbits(), hz))
    bass = (AXIS > 25) & (AXIS < 50)
    assert np.abs(20 * np.log10(np.abs(found / truth)))[:, bass].max() < 0.01


def sources(points: np.ndarray, hz: np.ndarray) -> np.ndarray:
    """(P, F) two point sources 3 cm apart, e^(-jkr)/r each, that roll off below 60 Hz."""
    k = 2 * np.pi * hz / 343.0
    slope = (1j * hz / 60) ** 2 / ((1j * hz / 60) ** 2 + 1.4j * hz / 60 + 1)
    away = [np.linalg.norm(points - place, axis=-1)[:, None] for place in ([-0.02, 0, 0.015], [-0.02, 0.01, -0.015])]
    return slope * sum(size * np.exp(-1j * k * r) / r for size, r in zip((1.0, 0.4), away, strict=True))


def one_sphere(rings: int = 12) -> np.ndarray:
    """(2 R^2, 3) Gauss-Legendre rings on one sphere of 0.3 m."""
    z = np.polynomial.legendre.leggauss(rings)[0]
    azimuth = np.pi * np.arange(2 * rings) / rings
    flat = np.sqrt(1 - z**2)
    grid = [np.outer(flat, np.cos(azimuth)), np.outer(flat, np.sin(azimuth)), np.outer(z, np.ones(2 * rings))]
    return 0.3 * np.stack(grid, axis=-1).reshape(-1, 3) + np.array([-0.02, 0.0, 0.0])


CUBE = SimpleNamespace(width_m=0.05, height_m=0.05, depth_m=0.04)


def take(**keys: object) -> ScanPressuresTake:
    return ScanPressuresTake.model_validate(
        {"kind": "scan pressures", "id": "a", "file": "a.csv", "sha256": "0" * 64, **keys}
    )


def test_one_surface_of_free_field_pressures_is_enough_up_to_the_treble() -> None:
    hz = 20.0 * 2.0 ** (np.arange(0, 60) / 6)
    points = one_sphere()
    data = data_of_pressures(ScanPressures(points, hz, sources(points, hz)), 343.0, anechoic=True)
    found = on_report_axis(solve_scan(data, CUBE, ScanSetup()))
    far = 1e4 * cta_orbits().unit_vectors()
    truth = np.abs(sources(far, AXIS)) * 1e4
    error = 20 * np.log10(np.maximum(np.abs(found.response.pressure), 1e-12) / truth)
    shown = found.response.valid
    assert shown[:, (AXIS > 25) & (AXIS < 10_000)].mean() > 0.95
    inside = np.abs(error) <= 2 * found.response.u_total_db() + 0.01
    assert inside[shown].mean() >= 0.95
    assert np.abs(error[:, (AXIS > 25) & (AXIS < 3000)]).max() < 0.3
    # The field, for any distance, is that of the curves at every frequency, between the fit's bands as well.
    level = np.abs(far_pressure(found.separation.field, cta_orbits().unit_vectors()))
    there = shown & (AXIS < 3000)
    assert (
        np.abs(20 * np.log10(np.maximum(level, 1e-12) / np.maximum(np.abs(found.response.pressure), 1e-12)))[
            there
        ].max()
        < 0.5
    )
    assert "free field" in found.sentence
    assert not [flag for flag in found.flags if flag.id in ("one surface", "scattering left")]


def test_gated_pressures_stop_at_their_gate() -> None:
    hz = 20.0 * 2.0 ** (np.arange(0, 54) / 6)
    points = one_sphere(8)
    held = ScanPressures(points, hz, sources(points, hz))
    data = data_of_pressures(held, 343.0, take=take(sound="gated", lowest_valid_hz=400.0))
    found = on_report_axis(solve_scan(data, CUBE, ScanSetup()))
    assert not found.response.valid[:, AXIS < 395].any()
    assert found.response.valid[:, (AXIS > 480) & (AXIS < 2000)].all()


def test_what_cannot_be_shown_is_silence_and_not_a_tiny_number() -> None:
    hz = 20.0 * 2.0 ** (np.arange(0, 24) / 6)
    points = one_sphere(8)
    data = data_of_pressures(ScanPressures(points, hz, sources(points, hz)), 343.0, anechoic=True)
    found = on_report_axis(solve_scan(data, CUBE, ScanSetup())).response
    assert (found.pressure[:, AXIS > 350] == 0).all()
    assert not found.valid[:, AXIS > 350].any()
