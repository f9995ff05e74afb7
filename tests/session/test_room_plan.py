"""A room plan is read strictly and its faults are told with their lines."""

from __future__ import annotations

from pathlib import Path

import pytest

from earwitness.errors import InputError
from earwitness.session.room_plan import read_room_plan

GOOD = """[room]
length_m = 6.0
width_m = 4.5
height_m = 2.6
[[loudspeaker]]
name = "left"
position_m = [1.0, 3.4, 0.95]
aim_at_m = [4.0, 2.25, 1.0]
[[seat]]
name = "middle"
position_m = [4.0, 2.25, 1.0]
"""


def read(tmp_path: Path, text: str):
    path = tmp_path / "plan.toml"
    path.write_text(text)
    return read_room_plan(path)


def test_a_plan_is_read(tmp_path: Path) -> None:
    plan = read(tmp_path, GOOD)
    assert plan.loudspeakers[0].aim_at_m == (4.0, 2.25, 1.0)
    assert (plan.seats[0].name, plan.seats[0].row) == ("middle", 1)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("aim_at_m = [4.0, 2.25, 1.0]", "azimut_deg = 3.0", "line 8"),
        ("position_m = [4.0, 2.25, 1.0]", "position_m = [4.0, 2.25]", "seat 1.position_m"),
        ("position_m = [4.0, 2.25, 1.0]", "position_m = [7.0, 2.25, 1.0]", "outside the room"),
        ("aim_at_m = [4.0, 2.25, 1.0]", "aim_at_m = [1.0, 3.4, 0.95]", "itself stands"),
        ("aim_at_m = [4.0, 2.25, 1.0]", "aim_at_m = [4.0, 2.25, 1.0]\nazimuth_deg = 3.0", "give one of them"),
        ("length_m = 6.0", "length_m = nan", "length_m"),
        ("position_m = [1.0, 3.4, 0.95]", "position_m = [4.0, 2.25, 1.05]", "0.1 m apart"),
        ('name = "middle"', "", "missing"),
        ("[room]", "[room", "not TOML"),
        ('[[seat]]\nname = "middle"\nposition_m = [4.0, 2.25, 1.0]\n', "", "missing"),
    ],
)
def test_faults_are_told(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert old in GOOD
    with pytest.raises(InputError) as caught:
        read(tmp_path, GOOD.replace(old, new))
    assert said in str(caught.value)


def test_two_seats_of_one_name(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="two seats are called 'middle'"):
        read(tmp_path, GOOD + '[[seat]]\nname = "middle"\nposition_m = [5.0, 2.25, 1.0]\n')


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        read_room_plan(tmp_path / "none.toml")
