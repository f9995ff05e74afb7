"""Scan takes as they are written, and plans of sessions against geometry and sampling theory."""

from __future__ import annotations

import re

import numpy as np
import pytest
from session_folders import TOML, record

from earwitness.errors import FormatError, InputError, SessionError
from earwitness.formats.positions_table import parse_positions, positions_text
from earwitness.session.load import load_session
from earwitness.session.plan import plan_gated, plan_scan
from earwitness.session.responses import ScanTake, spell_out_scan


def folder_with(tmp_path, count: int = 80, files: int = 80):
    angle = 2 * np.pi * np.arange(count) / count
    points = np.stack([np.cos(angle), np.sin(angle), np.linspace(-1, 1, count)], axis=1) * 0.4
    (tmp_path / "positions.csv").write_text(positions_text(points, ("inner",) * count, note="n"), encoding="utf-8")
    for n in range(1, files + 1):
        (tmp_path / f"p_{n:02d}.flac").write_bytes(b"")
    return points


def test_every_row_becomes_a_take(tmp_path) -> None:
    points = folder_with(tmp_path)
    found = spell_out_scan({"kind": "scan", "positions": "positions.csv", "files": "p_{point}.flac"}, tmp_path)
    takes = [ScanTake.model_validate({**one, "sha256": "0" * 64}) for one in found]
    assert [take.file for take in takes[:2]] == ["p_01.flac", "p_02.flac"]
    assert len({take.id for take in takes}) == 80
    assert np.allclose([take.position_m for take in takes], points, atol=1e-5)


def test_points_and_files_must_match(tmp_path) -> None:
    folder_with(tmp_path, files=78)
    with pytest.raises(FormatError, match="2 of 80 points have no recording, the first is point 79"):
        spell_out_scan({"kind": "scan", "positions": "positions.csv", "files": "p_{point}.flac"}, tmp_path)
    with pytest.raises(FormatError, match="which recording"):
        spell_out_scan({"kind": "scan", "positions": "positions.csv"}, tmp_path)
    with pytest.raises(FormatError, match="no file in the session folder"):
        spell_out_scan({"kind": "scan", "positions": "../positions.csv"}, tmp_path)


@pytest.mark.parametrize(
    ("monitor", "words"),
    [
        ("monitor_channel = 1\n", "channel 1 is the monitor and another one as well"),
        ("monitor_channel = 3\n", "channel 3 is wanted as monitor channel"),
        ("monitor_channel = 2\n", "are not both recorded with a monitor"),
    ],
)
def test_a_monitor_that_cannot_be_is_a_fault(tmp_path, monitor: str, words: str) -> None:
    text = TOML[: TOML.index("[[take]]")]
    for n, more in enumerate((monitor, "")):
        record(tmp_path / f"p{n}.wav", n, channels=2)
        text += f'[[take]]\nkind = "scan"\nfile = "p{n}.wav"\nposition_m = [0.3, {n}.0, 0.1]\n{more}'
    (tmp_path / "session.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SessionError) as caught:
        load_session(tmp_path)
    assert any(words in fault.what for fault in caught.value.faults)


def test_a_planned_scan_samples_its_waves() -> None:
    # A band-limited field of order N needs (N+1)^2 points for each kind of wave (Rafaely, Fundamentals of Spherical
    # Array Processing; from memory), N at least k r.
    plan = plan_scan((0.22, 0.38, 0.28), 2000.0, robot="rotating arc")
    order = 2 * np.pi * 2000 / 343 * plan.radii_m[1]
    assert len(plan.points_m) >= 2 * (order + 1) ** 2
    assert plan.azimuths >= 2 * order + 1
    assert plan.separable_hz >= 2000.0
    # A visit of the reference place takes twice as long as a point.
    assert plan.duration_s == pytest.approx((len(plan.points_m) + plan.visits) * 3.5)
    read = parse_positions(plan.table(), name="plan")
    assert np.allclose(read.points_m, plan.points_m, atol=1e-5)


def test_planned_points_clear_the_cabinet() -> None:
    for robot in ("turntable and arm", "rotating arc", "by hand"):
        plan = plan_scan((0.25, 0.9, 0.35), 800.0, robot=robot)
        beside = np.abs(plan.points_m - np.array([-0.175, 0, 0])) - np.array([0.35, 0.25, 0.9]) / 2
        assert (np.linalg.norm(np.maximum(beside, 0.0), axis=1) > 0.059).all()


@pytest.mark.parametrize("cabinet_m", [(0.2, 0.35, 0.25), (0.3, 0.9, 0.4), (0.16, 0.26, 0.2)])
def test_what_a_plan_asks_for_tells_ten_kilohertz(cabinet_m: tuple[float, float, float]) -> None:
    # Waves that leave a body of half diagonal R hold orders to k R (Rafaely, as above): (k R)^2 points at least.
    def said(highest_hz: float | None) -> str:
        return next(
            note for note in plan_scan(cabinet_m, highest_hz, room_gate_s=3e-3).notes if "tell all directions" in note
        )

    words = r"To tell 10 kHz so well ask for ([\d,]+) points: separate up to ([\d,]+) Hz"
    asked = re.search(words, said(1500.0))
    assert asked is not None
    points, highest_hz = (float(one.replace(",", "")) for one in asked.groups())
    assert len(plan_scan(cabinet_m, highest_hz).points_m) == pytest.approx(points, rel=0.02)
    assert points >= (2 * np.pi * 10_000 / 343 * np.linalg.norm(cabinet_m) / 2) ** 2
    assert "To tell 10 kHz" not in said(highest_hz)


@pytest.mark.parametrize("cabinet_m", [(0.2, 0.35, 0.25), (0.16, 0.26, 0.2)])
def test_without_a_wish_a_plan_with_a_gate_tells_ten_kilohertz(cabinet_m: tuple[float, float, float]) -> None:
    # (k R)^2 points at least, as above; without a gate nothing above the separated sound is planned for.
    plan = plan_scan(cabinet_m, None, room_gate_s=3e-3)
    assert len(plan.points_m) >= (2 * np.pi * 10_000 / 343 * np.linalg.norm(cabinet_m) / 2) ** 2
    assert plan.expected_error_db[-1][0] == 10_000.0
    assert len(plan_scan(cabinet_m, None).points_m) == len(plan_scan(cabinet_m, 2000.0).points_m)


def test_a_plan_for_a_tower_says_how_far_it_tells() -> None:
    # (k R)^2 = 8,700 points for a half diagonal of 0.51 m: more than a day may bear, so that fewer are planned.
    plan = plan_scan((0.3, 0.9, 0.4), None, room_gate_s=3e-3)
    assert len(plan.points_m) < 5000
    told = next(note for note in plan.notes if "tell all directions" in note)
    assert "up to about 6.8 kHz, usually to half a decibel up to 5.4 kHz" in told
    assert "To tell 10 kHz" in told
    assert max(hz for hz, _bound in plan.expected_error_db) < 10_000.0


def test_millimeters_are_refused() -> None:
    with pytest.raises(InputError, match="width_m is 220") as caught:
        plan_scan((220.0, 380.0, 280.0), 2000.0)
    assert "200 mm are 0.2" in caught.value.remedy


def test_the_gate_ends_with_the_floor() -> None:
    # Mirror image: 2 m away, both 1.2 m high: 2 sqrt(1 + 1.44) - 2 = 1.1241 m, 3.277 ms at 343 m/s.
    plan = plan_gated((8.0, 6.0, 3.0), loudspeaker_height_m=1.2, distance_m=2.0, cabinet_m=(0.22, 0.38, 0.28))
    assert plan.reflection == "floor"
    assert plan.gate_s == pytest.approx(1.12410 / 343 - 0.2e-3, abs=2e-6)
    assert plan.lowest_valid_hz == pytest.approx(1.2 / plan.gate_s)
    assert plan.far_field_m == pytest.approx(3 * 0.38)
    assert plan.near_field_below_hz == pytest.approx(1.5 * plan.lowest_valid_hz)
    assert any("hearing protection" in note for note in plan.notes)


def test_a_room_too_small() -> None:
    with pytest.raises(InputError, match="does not hold"):
        plan_gated((3.0, 3.0, 2.4), loudspeaker_height_m=2.6, distance_m=2.0, cabinet_m=(0.2, 0.3, 0.2))
