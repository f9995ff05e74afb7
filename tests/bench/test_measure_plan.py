"""Plans in the bench: geometry of mirror images, the command line's own words, and the list of points."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator
from pathlib import Path

import pytest
from bench_client import entered
from click.testing import CliRunner
from starlette.testclient import TestClient

from earwitness.cli import main

CABINET = {"width_m": 0.2, "height_m": 0.34, "depth_m": 0.26}
ROOM = {"length_m": 6.0, "width_m": 5.0, "height_m": 3.0, "stand_m": 1.1, "distance_m": 1.5}
ASKED = {"cabinet": CABINET, "room": ROOM, "scan": {"highest_hz": 1000.0, "robot": "rotating arc"}}
SPEED = 343.0


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    with entered(tmp_path_factory.mktemp("plan") / "archive") as client:
        yield client


def planned(client: TestClient, **room: float) -> dict:
    answer = client.post("/api/measure/plan", json={**ASKED, "room": {**ROOM, **room}})
    assert answer.status_code == 200, answer.text
    told: dict = answer.json()
    return told


def test_the_gate_ends_with_the_first_mirror_image(empty: TestClient) -> None:
    # Image of the source below the floor: 2.2 m down, 1.5 m away; less the margin of 0.2 ms that the plan states.
    late_s = (math.hypot(1.5, 2.2) - 1.5) / SPEED
    told = planned(empty)["gated"]
    assert (told["reflection"], told["gate_s"]) == ("floor", pytest.approx(late_s - 0.2e-3))
    beside_s = (math.hypot(1.5, 1.6) - 1.5) / SPEED
    told = planned(empty, side_wall_m=0.8)["gated"]
    assert (told["reflection"], told["gate_s"]) == ("side wall", pytest.approx(beside_s - 0.2e-3))
    told = planned(empty, front_wall_m=0.4)["gated"]
    assert (told["reflection"], told["gate_s"]) == ("wall behind the loudspeaker", pytest.approx(0.8 / SPEED - 0.2e-3))


def test_one_plan_that_cannot_be_made_does_not_hide_the_other(empty: TestClient) -> None:
    told = planned(empty, stand_m=3.5)
    assert told["gated"] is None
    assert "does not hold" in told["gated_fault"]["what"]
    assert told["scan"]["points"] > 0
    told = empty.post("/api/measure/plan", json={**ASKED, "scan": {"highest_hz": 50.0}}).json()
    assert "highest_hz" in told["scan_fault"]["what"]
    assert told["gated"] is not None


def test_the_bench_says_what_the_command_line_says(empty: TestClient, tmp_path: Path) -> None:
    told = planned(empty, side_wall_m=1.0, front_wall_m=1.5, driver_m=0.13)
    arguments = [
        "measure", "plan", "--cabinet", "0.2,0.34,0.26", "--highest", "1000", "--robot", "rotating arc", "--room",
        "6,5,3", "--stand-height", "1.1", "--distance", "1.5", "--side-wall", "1.0", "--front-wall", "1.5",
        "--driver", "0.13", "--to", str(tmp_path / "cli.csv"),
    ]  # fmt: skip
    done = CliRunner().invoke(main, arguments)
    assert done.exit_code == 0, done.output
    for line in (*told["gated"]["lines"], *told["scan"]["lines"]):
        assert line in done.output
    room = {**ROOM, "side_wall_m": 1.0, "front_wall_m": 1.5, "driver_m": 0.13}
    body = {**ASKED, "room": room, "to": str(tmp_path / "bench.csv")}
    answer = empty.post("/api/measure/plan/points", json=body)
    assert answer.text == (tmp_path / "bench.csv").read_text(encoding="utf-8")
    assert answer.text == (tmp_path / "cli.csv").read_text(encoding="utf-8")
    rows = [row for row in csv.reader(answer.text.splitlines()) if row and row[0].lstrip("-")[:1].isdigit()]
    assert len(rows) == told["scan"]["points"]


def test_the_list_of_points_overwrites_nothing(empty: TestClient, tmp_path: Path) -> None:
    path = tmp_path / "there.csv"
    path.write_text("mine", encoding="utf-8")
    refused = empty.post("/api/measure/plan/points", json={**ASKED, "to": str(path)})
    assert refused.status_code == 422
    assert path.read_text(encoding="utf-8") == "mine"
    assert empty.post("/api/measure/plan/points", json={**ASKED, "to": "here.csv"}).status_code == 422
