"""A center and an in-wall of the demo world from recordings to the page, against what they truly radiate."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from earwitness.app.demo import run_demo
from earwitness.app.match import match_loudspeaker
from earwitness.app.read import ReadResult, read_loudspeaker
from earwitness.demo import world
from earwitness.demo.world import true_pressure
from earwitness.figures.kinds import as_measured
from earwitness.quantities import from_orbit

KEYS = ("tern", "alcove")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("kinds")
    for key in KEYS:
        run_demo(made, key)
    return made


@pytest.fixture(scope="module", params=KEYS)
def result(request: pytest.FixtureRequest, folder: Path) -> ReadResult:
    return read_loudspeaker(world.loudspeaker(request.param).name, folder / "archive")


def true_db(key: str, orbit: str, angle_deg: float, hz: np.ndarray) -> np.ndarray:
    pressure = true_pressure(key, from_orbit(orbit, angle_deg), hz)[0]  # type: ignore[arg-type]
    return np.asarray(20 * np.log10(np.abs(pressure) * 2.83 / 20e-6))


def key_of(result: ReadResult) -> str:
    return next(key for key in KEYS if world.loudspeaker(key).name == result.session.loudspeaker.name)


def test_the_level_on_axis_is_the_true_one(result: ReadResult) -> None:
    curve = result.reading.curves["on_axis"]
    inside = curve.valid & (curve.axis.hz >= 30.0) & (curve.axis.hz <= 15_000.0)
    true = true_db(key_of(result), "horizontal", 0.0, curve.axis.hz[inside])
    u = np.hypot(curve.u, curve.u_common)[inside]
    assert inside.sum() > 300
    assert np.mean(np.abs(curve.values[inside] - true) <= 2 * u) > 0.9
    assert np.abs(curve.values[inside] - true).max() < 1.0


def test_the_page_shows_the_kind(result: ReadResult, folder: Path) -> None:
    key = key_of(result)
    page = (folder / "review" / key / "index.html").read_text(encoding="utf-8")
    assert {"tern": "Lobing over the seats", "alcove": "Measured flush in a wall"}[key] in page
    assert "It would hold in half space" not in page or key == "tern"
    assert "rear_wall" not in result.reading.missing or key == "tern"
    assert not [flag for flag in result.measurement.flags if flag.severity == "reject"]


def test_seats_of_the_center(folder: Path) -> None:
    """The deepest third octave of the truth, 0.6 m and 1.2 m to the side at the distance read for."""
    result = read_loudspeaker(world.loudspeaker("tern").name, folder / "archive")
    match = match_loudspeaker(result, (), distance_m=3.0)
    assert match.kind is not None
    fine = np.geomspace(250.0, 6000.0, 3000)
    middle = 10 ** (true_db("tern", "horizontal", 0.0, fine) / 10)
    for name, found in match.kind.rows:
        away = float(np.degrees(np.arctan2(float(name.split()[0]), 3.0)))
        beside = 10 ** (true_db("tern", "horizontal", away if "left" in name else -away, fine) / 10)
        centers = fine[(fine >= 300.0) & (fine <= 5000.0)][::5]
        near = [np.abs(np.log2(fine / one)) <= 1 / 6 for one in centers]
        true = min(10 * np.log10(beside[rows].mean() / middle[rows].mean()) for rows in near)
        assert found.value is not None
        assert found.u is not None
        assert abs(found.value - true) < 2 * found.u + 0.1


def test_the_half_in_front_of_the_in_wall(folder: Path) -> None:
    """Sound power against the truth's mean over many directions of the hemisphere, halved for the sphere."""
    result = read_loudspeaker(world.loudspeaker("alcove").name, folder / "archive")
    curve = result.reading.curves["sound_power"]
    hz = np.array([100.0, 400.0, 1000.0, 4000.0, 8000.0])
    polar, around = np.polynomial.legendre.leggauss(24)[0] / 2 + 0.5, np.radians(np.arange(0.0, 360.0, 10.0))
    weight = np.repeat(np.polynomial.legendre.leggauss(24)[1] / 2, around.size) / around.size
    ahead = np.repeat(polar, around.size)
    aside = np.sqrt(1 - ahead**2)
    turn = np.tile(around, polar.size)
    unit = np.stack([ahead, aside * np.cos(turn), aside * np.sin(turn)], axis=1)
    one = world.loudspeaker("alcove")
    pressure = world.sum_far(one, world.speaker_sources(one, hz), unit, hz)
    mean = (weight[:, None] * np.abs(pressure) ** 2).sum(axis=0) / 2
    true = 10 * np.log10(mean) + 20 * np.log10(2.83 / 20e-6)
    at = [int(np.argmin(np.abs(curve.axis.hz - one))) for one in hz]
    # Two orbits stand for all directions: the vertical one with the crossover's dips counts for all that lie oblique.
    assert curve.values[at] == pytest.approx(true, abs=0.6)
    index = result.reading.curves["sound_power_di"].values[at]
    assert index[0] == pytest.approx(10 * np.log10(2), abs=0.1)


def test_an_in_wall_measured_free_refuses(folder: Path) -> None:
    result = read_loudspeaker(world.loudspeaker("alcove").name, folder / "archive")
    free = replace(result.measurement.response, half_space=False)
    told = as_measured(result.reading, result.session.loudspeaker, free)
    for key in ("f3", "f6", "f10", "in_room_slope", "preference_rating"):
        assert "measured free, not in a wall" in told.figures[key].reason
    assert told.figures["sensitivity"].is_judged
    assert "sound_power" not in told.curves
    assert "on_axis" in told.curves
