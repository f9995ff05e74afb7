"""A turntable that turns about another place than the reference point: angles and distances that it really gives."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from session_folders import TOML, record, write

from earwitness.errors import SessionError
from earwitness.session.load import load_session
from earwitness.session.session import Turntable


@pytest.mark.parametrize("orbit", ["horizontal", "vertical"])
@pytest.mark.parametrize("axis", [(-0.15, 0.0, 0.0), (-0.2, 0.05, -0.1), (0.03, -0.02, 0.04)])
def test_place_is_that_of_a_microphone_turned_about_the_axis(orbit: str, axis: tuple[float, float, float]) -> None:
    """Plane rotation by a matrix, as in any book of geometry."""
    table = Turntable(axis_m=axis)
    pole = np.array([axis[0], axis[1] if orbit == "horizontal" else axis[2]])
    for angle in (-170.0, -90.0, -10.0, 0.0, 35.0, 90.0, 180.0, 270.0):
        turned = np.deg2rad(angle)
        matrix = np.array([[np.cos(turned), -np.sin(turned)], [np.sin(turned), np.cos(turned)]])
        microphone = pole + matrix @ (np.array([2.0, 0.0]) - pole)
        found_deg, found_m = table.place(orbit, angle, 2.0)
        assert found_m == pytest.approx(np.hypot(*microphone), rel=1e-12)
        off = (found_deg - np.degrees(np.arctan2(microphone[1], microphone[0]))) % 360.0
        assert min(off, 360.0 - off) < 1e-9
        assert abs(found_deg - angle) < 30.0


def test_about_the_reference_point_nothing_changes() -> None:
    table = Turntable(axis_m=(0.0, 0.0, 0.3), vertical_axis_m=(0.0, 0.4, 0.0))
    for orbit in ("horizontal", "vertical"):
        assert table.place(orbit, 70.0, 2.0) == pytest.approx((70.0, 2.0), rel=1e-12)


def told(folder: Path) -> str:
    with pytest.raises(SessionError) as caught:
        load_session(folder)
    return str(caught.value)


def test_it_is_read_from_the_folder_and_slips_are_told(tmp_path: Path) -> None:
    table = "[turntable]\naxis_m = [-0.13, 0.0, 0.0]\n"
    text = TOML.replace("[environment]", table + "[environment]")
    assert load_session(write(tmp_path, text)).turntable == Turntable(axis_m=(-0.13, 0.0, 0.0))
    write(tmp_path, text.replace("[-0.13,", "[-13.0,"))
    assert "13.00 m from the reference point, outside the loudspeaker" in told(tmp_path)
    assert "15 cm behind it is [-0.15, 0.0, 0.0]" in told(tmp_path)
    single = (
        '[[take]]\nkind = "far-field"\norbit = "horizontal"\nangle_deg = 40.0\ndistance_m = 2.1\nfile = "other.wav"\n'
    )
    write(tmp_path, text + single)
    assert "the distance at 0 degrees in every take of the orbit" in told(tmp_path)


ROOM = """[environment.room]
length_m = 6.0
width_m = 4.5
height_m = 2.6
loudspeaker_m = [2.0, 2.2, 1.3]
microphone_m = [4.0, 2.2, 1.3]
"""


def orbit(distances_m: dict[int, float]) -> str:
    head = TOML[: TOML.index("[environment]")] + ROOM
    rows = [
        f'[[take]]\nkind = "far-field"\norbit = "horizontal"\nangle_deg = {angle}\ndistance_m = {distance}\n'
        f'file = "{name}"\n'
        for (angle, distance), name in zip(distances_m.items(), ("h_0.wav", "h_-10.wav", "other.wav"), strict=True)
    ]
    return head + "".join(rows)


def test_a_distance_of_its_own_for_each_angle_is_allowed_in_a_room(tmp_path: Path) -> None:
    session = load_session(write(tmp_path, orbit({0: 2.0, 90: 2.15, 180: 2.4})))
    assert [take.distance_m for take in session.takes] == [2.0, 2.15, 2.4]


def test_distances_that_the_room_contradicts_are_told_once_with_what_helps(tmp_path: Path) -> None:
    write(tmp_path, orbit({0: 3.0, 90: 3.0, 180: 3.0}))
    text = told(tmp_path)
    assert "1 fault" in text
    assert "distance_m = 3 (and in 2 more takes)" in text
    assert "state it under [turntable]" in text


def test_two_kinds_of_recording_fit_one_pattern(tmp_path: Path) -> None:
    write(tmp_path, TOML.replace("h_{angle}.wav", "h_{angle}.*"))
    record(tmp_path / "h_30.FLAC", 9)
    (tmp_path / "h_40.txt").write_text("no recording")
    found = {(take.file, take.angle_deg) for take in load_session(tmp_path).takes}
    assert found == {("h_-10.wav", -10.0), ("h_+010.wav", 10.0), ("h_0.wav", 0.0), ("h_30.FLAC", 30.0)}
    record(tmp_path / "h_0.flac", 8)
    assert "0 degrees of the horizontal orbit is measured twice" in told(tmp_path)


def test_an_area_stands_in_place_of_a_diameter(tmp_path: Path) -> None:
    write(tmp_path, TOML.replace("diameter_m = 0.13", "area_m2 = 0.0085"))
    (driver,) = load_session(tmp_path).loudspeaker.drivers
    # Of a circle: d = sqrt(4 A / pi).
    assert driver.diameter_m == pytest.approx(0.10403, abs=1e-5)
    write(tmp_path, TOML.replace("diameter_m = 0.13", "diameter_m = 0.13\narea_m2 = 0.0133"))
    assert load_session(tmp_path).loudspeaker.drivers[0].diameter_m == 0.13
    write(tmp_path, TOML.replace("diameter_m = 0.13", "diameter_m = 0.13\narea_m2 = 0.0085"))
    assert "85 cm2 are 0.0085" in told(tmp_path)
    write(tmp_path, TOML.replace("diameter_m = 0.13", "area_m2 = 85.0"))
    assert "area_m2 = 85.0 is too large" in told(tmp_path)
    write(tmp_path, TOML.replace("diameter_m = 0.13", ""))
    assert "'diameter_m' is missing" in told(tmp_path)
