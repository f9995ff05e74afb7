"""The place Match without a browser: trigonometry, Ohm's law, and the files the command line takes."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from click.testing import CliRunner
from starlette.testclient import TestClient

from earwitness.bench.state import Bench
from earwitness.cli import main
from earwitness.session.amplifier_sheet import read_amplifier_sheet
from earwitness.session.room_plan import read_room_plan

ROOM = {
    "room": {"length_m": 6.0, "width_m": 4.0, "height_m": 2.5},
    "loudspeaker": [{"name": "left", "position_m": [1.0, 1.0, 1.0], "azimuth_deg": 0.0}],
    "seat": [{"name": "near", "position_m": [4.0, 1.0, 1.0]}, {"name": "aside", "row": 2, "position_m": [4.0, 4.0, 1]}],
}
SHEET = {"name": "Brook 60 (invented)", "power": [{"load_ohm": 8.0, "power_w": 60.0}, {"load_ohm": 4, "power_w": 100}]}


def asked(client: TestClient, place: str, body: object) -> dict[str, object]:
    answer = client.post(f"/api/match/{place}", json=body)
    assert answer.status_code == 200, answer.text
    found: dict[str, object] = answer.json()
    return found


def test_the_page_opens_and_teaches_without_a_loudspeaker(client: TestClient) -> None:
    assert "Where one listens" in client.get("/match/1").text
    assert "Choose one at the top" in client.get("/match").text
    assert client.get("/match/77").status_code == 404


def test_a_powered_loudspeaker_is_asked_for_no_amplifier(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    usual = client.get("/match/1").text
    assert 'href="#amplifier"' in usual
    assert 'id="amplifier" aria-labelledby="amplifier-title">' in usual
    monkeypatch.setattr(Bench, "kinds", lambda *_: ("monitor", "powered"))
    powered = client.get("/match/1").text
    assert 'href="#amplifier"' not in powered
    assert 'id="amplifier" aria-labelledby="amplifier-title" hidden>' in powered
    assert 'href="#subwoofer"' in powered
    assert "Set up the room and the subwoofer as they are" in powered


def test_seats_stand_where_trigonometry_says(client: TestClient) -> None:
    told = asked(client, "1/seats", {"room": ROOM})
    near, aside = told["angles"]  # type: ignore[misc]
    assert (near["distance_m"], near["azimuth_deg"]) == pytest.approx((3.0, 0.0))
    # Right triangle of 3 m by 3 m: 45 degrees, 3 sqrt(2) m; AES69: positive to the loudspeaker's left.
    assert (aside["distance_m"], aside["azimuth_deg"]) == pytest.approx((3 * math.sqrt(2), 45.0))
    # Inverse distance law: 20 lg sqrt(2) = 3.01 dB less.
    levels = [float(one["level"].split()[0].split("\u00a0")[0]) for one in (near, aside)]
    assert levels[0] - levels[1] == pytest.approx(3.01, abs=0.11)
    assert "Each seat from left" in str(told["html"])


def test_what_the_room_does_is_answered_where_the_plan_has_a_size(client: TestClient) -> None:
    told = asked(client, "1/room", {"room": {**ROOM, "room": {"length_m": 7, "width_m": 6, "height_m": 2.6}}})
    assert told["absent"] == ""
    words = " ".join(told["sentences"])  # type: ignore[arg-type]
    assert "in the room (0.4 s)" in words
    # c / 2 over the length by hand: 24.5 Hz.
    assert "Lowest modes of the bare box: 24.5" in words
    bare = {key: value for key, value in ROOM.items() if key != "room"}
    assert asked(client, "1/room", {"room": bare})["absent"] == "the plan states no size of the room"


def test_the_saved_answers_are_what_the_command_prints(client: TestClient, bench_archive: Path, tmp_path: Path) -> None:
    room, amplifier = tmp_path / "room.toml", tmp_path / "amplifier.toml"
    room.write_text(str(asked(client, "files/room/write", ROOM)["text"]), encoding="utf-8")
    amplifier.write_text(str(asked(client, "files/amplifier/write", SHEET)["text"]), encoding="utf-8")
    told = asked(client, "1/text", {"room": ROOM, "amplifier": SHEET, "goal_db": 80, "corner_hz": 90})
    words = ["match", "causeway", "--archive", str(bench_archive), "--room", str(room), "--amplifier", str(amplifier)]
    run = CliRunner().invoke(main, [*words, "--level", "80", "--corner", "90"])
    assert run.exit_code == 0, run.output
    assert told["text"] == run.stdout
    assert client.post("/api/match/1/text", json={"corner_hz": 4}).status_code == 422


def test_an_amplifier_is_judged_and_a_goal_moves_the_headroom(client: TestClient) -> None:
    told = asked(client, "1/amplifier", {"amplifier": SHEET})
    assert told["can_drive"] in ("yes", "no", "cannot be told")
    assert "Brook 60" in str(told["html"])
    quiet, loud = (asked(client, "1/seats", {"room": ROOM, "amplifier": SHEET, "goal_db": g}) for g in (75, 85))
    heads = [
        float(t["angles"][0]["headroom"].split("±")[0].split("least")[-1].replace("−", "-"))  # type: ignore[index]
        for t in (quiet, loud)
    ]
    assert heads[0] - heads[1] == pytest.approx(10.0, abs=0.11)


def test_a_corner_and_slopes_of_ones_own_are_taken(client: TestClient) -> None:
    best = asked(client, "1/subwoofer", {})
    own = asked(client, "1/subwoofer", {"corner_hz": 83, "slopes": "BW2/LR4"})
    assert best["slopes"]
    assert (own["corner_hz"], own["slopes"]) == (83, "BW2/LR4")
    assert "Cross over at 83 Hz" in str(own["sentences"])
    assert client.post("/api/match/1/subwoofer", json={"slopes": "BW9/LR4"}).status_code == 422
    assert client.post("/api/match/1/subwoofer", json={"slopes": "LR1/LR4"}).status_code == 422


def test_claims_and_for_whom_are_told(client: TestClient) -> None:
    told = asked(client, "1/words", {"amplifier": SHEET})
    assert "Sensitivity" in str(told["claims"])
    assert {one["topic"] for one in told["for_whom"]} >= {"music", "amplifier"}  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    "change",
    [
        {"seat": [{"name": "far", "position_m": [40.0, 1.0, 1.0]}]},
        {"seat": [{"name": "on it", "position_m": [1.0, 1.0, 1.0]}]},
        {"seat": []},
        {"loudspeaker": [{"name": "left", "position_m": [1.0, 1.0]}]},
        {"unknown": 1},
    ],
)
def test_a_plan_that_cannot_be_is_refused_in_words(client: TestClient, change: dict[str, object]) -> None:
    answer = client.post("/api/match/1/seats", json={"room": {**ROOM, **change}})
    assert answer.status_code == 422
    assert answer.json()["what"]


def test_a_value_that_cannot_be_is_refused_in_words(client: TestClient) -> None:
    far = client.post("/api/match/1/seats", json={"room": ROOM, "distance_m": 50})
    assert far.status_code == 422
    assert (far.json()["what"], far.json()["expected"]) == ("distance_m cannot be 50", "at most 10")
    low = client.post("/api/match/1/seats", json={"room": ROOM, "goal_db": -1})
    assert low.json()["expected"].startswith("at least ")
    outside = {**ROOM, "room": {**ROOM["room"], "length_m": 0.5}}  # type: ignore[dict-item]
    told = client.post("/api/match/1/seats", json={"room": outside}).json()
    assert told["what"] == "'left' at [1.0, 1.0, 1.0] stands outside the room"
    odd = client.post("/api/match/1/seats", json={"room": ROOM, "unknown": 1}).json()
    assert "unknown" in odd["where"]


def test_files_written_are_what_the_command_line_reads(client: TestClient, tmp_path: Path, bench_archive: Path) -> None:
    room, sheet = tmp_path / "room.toml", tmp_path / "amplifier.toml"
    plan = {**ROOM, "name": 'a "quoted" room\n\x7f'}
    room.write_text(str(asked(client, "files/room/write", plan)["text"]), encoding="utf-8")
    sheet.write_text(str(asked(client, "files/amplifier/write", SHEET)["text"]), encoding="utf-8")
    assert read_room_plan(room).seats[1].position_m == (4.0, 4.0, 1.0)
    assert read_room_plan(room).name == plan["name"].strip()
    assert [one.power_w for one in read_amplifier_sheet(sheet).ratings] == [60.0, 100.0]
    back = asked(client, "files/room/read", {"text": room.read_text(encoding="utf-8")})["value"]
    assert back["loudspeaker"][0]["position_m"] == [1.0, 1.0, 1.0]  # type: ignore[index]
    run = CliRunner().invoke(
        main,
        ["match", "causeway", "--archive", str(bench_archive), "--room", str(room), "--amplifier", str(sheet),
         "--corner", "83", "--slopes", "BW2/LR4"],
    )  # fmt: skip
    assert run.exit_code == 0, run.output
    assert "Cross over at 83 Hz" in run.output


def test_a_faulty_file_is_told_with_its_line(client: TestClient) -> None:
    answer = client.post("/api/match/files/amplifier/read", json={"text": 'name = "Brook"\n[[power]]\nload_ohm = -1'})
    assert answer.status_code == 422
    assert "line 3" in answer.json()["what"]
    assert client.post("/api/match/files/room/read", json={"text": "= ="}).status_code == 422


@pytest.mark.parametrize(
    "extreme",
    [
        {"damping_factor": 1e-300},
        {"damping_factor": 1e300},
        {"peak_current_a": 1e-300},
        {"power": [{"load_ohm": 8, "power_w": 1e-300}]},
        {"output_impedance_ohm": 1e-300},
    ],
)
def test_extreme_sheets_are_answered_or_refused(client: TestClient, extreme: dict[str, object]) -> None:
    answer = client.post("/api/match/1/amplifier", json={"amplifier": {**SHEET, **extreme}})
    assert answer.status_code in (200, 422)
