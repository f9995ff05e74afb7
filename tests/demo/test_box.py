"""The demo's box against the closed forms that any rigid body obeys, and against the solution it was stored from.

Those data (tests/reduce/data/README.md) were solved on another mesh.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from earwitness.demo import box, playback, world
from earwitness.errors import InputError

DATA = Path(__file__).parents[1] / "reduce" / "data" / "rigid_boxes.npz"
BODY = box.stored("box_a")


@pytest.mark.parametrize("name", BODY.names)
def test_low_frequencies_are_a_monopole(name: str) -> None:
    """j omega rho / (4 pi) per volume velocity in every direction, at 8 and 20 Hz."""
    unit = np.array([[1.0, 0, 0], [0, 1, 0], [0, 0, -1], [-1, 0, 0]])
    hz = np.array([8.0, 20.0])
    level = 20 * np.log10(np.abs(BODY.far(name, unit, hz)) / (2 * np.pi * hz * 1.204 / (4 * np.pi)))
    assert np.abs(level).max() < 0.06


@pytest.mark.parametrize("name", ["woofer", "port"])
def test_stored_sound_is_that_of_the_solver(name: str) -> None:
    data = np.load(DATA)
    row = [str(one) for one in data["A_name"]].index(name)
    # The data stand for 343.2 m/s: the same wavelengths at 343 m/s.
    hz = data["A_hz"] * box.C / 343.2
    scale = box.C / 343.2
    far = BODY.far(name, data["A_direction"], hz).T / data["A_far"][:, row] / scale
    there = BODY.at(name, 2.0 * data["A_direction"], hz).T / data["A_at_2m"][:, row] / scale
    assert np.abs(far - 1).max() < 0.01
    assert np.abs(there - 1).max() < 0.01
    for at, spot in (("woofer", 0), ("port", 1)):
        close = BODY.before(name, at, hz) / data["A_near"][:, row, spot] / scale
        assert np.abs(close - 1).max() < 0.01


def test_far_away_the_field_is_the_far_field() -> None:
    unit, hz = np.array([[0.6, 0.8, 0.0]]), np.array([100.0, 900.0])
    k = 2 * np.pi * hz / box.C
    away = BODY.at("woofer", 80.0 * unit, hz)[0] * 80.0 * np.exp(1j * k * 80.0)
    assert away == pytest.approx(BODY.far("woofer", unit, hz)[0], rel=0.01)


def test_the_passage_to_the_treble_has_no_step() -> None:
    hz = np.geomspace(1500.0, 6000.0, 200)
    level = 20 * np.log10(np.abs(BODY.far("tweeter", np.array([[1.0, 0, 0], [0.87, 0.5, 0]]), hz)))
    assert np.abs(np.diff(level, axis=1)).max() < 0.6


def test_sound_reaches_the_microphone_when_it_can_and_not_before() -> None:
    one = world.loudspeaker("coffer")
    caps = tuple(source.cap for source in world.speaker_sources(one, np.array([1000.0])))
    for angle in (0.0, 180.0):
        row = playback.far_paths(one, caps, "horizontal", angle, 2.0)[0]
        arrival = 2.0 / box.C * 48_000
        assert np.abs(row[: int(arrival) - 40]).max() < 0.03 * np.abs(row).max()
        assert abs(int(np.argmax(np.abs(row[: int(arrival) + 120]))) - arrival) < 60


def test_a_box_has_no_scan() -> None:
    from earwitness.demo.scan import scan_points

    with pytest.raises(InputError, match="has no scan"):
        scan_points("coffer")
