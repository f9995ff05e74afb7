"""The place Read: evidence down to the recordings, other gates and splices tried, kept and undone."""

from __future__ import annotations

import hashlib
import math
import re
import shutil
import time
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from bench_client import entered
from click.testing import CliRunner
from starlette.testclient import TestClient

from earwitness.app.read import ReadResult
from earwitness.app.settings import AUTOMATIC, Chosen, choice_of, chosen_from, reduce_settings
from earwitness.archive.catalogue import Archive
from earwitness.cli import main
from earwitness.demo.catalogue import catalogue, session_of, simulate, write_note
from earwitness.errors import InputError
from earwitness.reduce.plan import ReduceSettings
from earwitness.session.session import FarFieldTake, NearFieldTake
from patience import PATIENCE_S

HOSTILE = "Nought <script>alert(1)</script> \"'&"


def ended(client: TestClient, job: dict[str, Any]) -> dict[str, Any]:
    """A job once it has ended."""
    end = time.monotonic() + 3 * PATIENCE_S
    while job["state"] in ("waiting", "running"):
        assert time.monotonic() < end, job
        time.sleep(0.05)
        job = client.get(f"/api/jobs/{job['id']}").json()
    return job


def reading(client: TestClient) -> ReadResult:
    found: ReadResult = client.app.state.bench.reading(1)  # type: ignore[attr-defined]
    return found


def test_without_a_loudspeaker_it_lets_choose_one(client: TestClient) -> None:
    page = client.get("/read")
    assert page.status_code == 200
    assert 'href="/read/1"' in page.text


def test_an_empty_archive_teaches_the_next_step(tmp_path: Path) -> None:
    with entered(tmp_path / "archive") as client:
        assert 'href="/measure"' in client.get("/read").text
        assert client.get("/read/1").status_code == 404


def test_the_page_holds_every_figure_as_a_button_and_every_exhibit(client: TestClient) -> None:
    page = client.get("/read/1").text
    figures = reading(client).reading.figures
    assert page.count('<button type="button" class="number') == len(figures)
    for key in ("balance", "in_room", "evenness", "impulse", "trust"):
        assert f'data-exhibit="{key}"' in page
    places = [page.index(f'id="{part}"') for part in ("findings", "figures", "regate", "takes")]
    assert places == sorted(places)


def test_an_exhibit_comes_by_itself_and_without_marks_that_are_hidden(client: TestClient) -> None:
    def marks(query: str) -> set[str]:
        page = client.get(f"/read/1/exhibit/balance{query}").text
        return set(re.findall(r'class="mark-number"[^>]*>(\d+)<', page))

    every = marks("")
    assert len(every) > 1
    assert marks("?hide=1") == every - {"1"}
    assert client.get("/read/1/exhibit/nothing").status_code == 404
    assert client.get("/read/1/exhibit/balance?hide=x").status_code == 422


def test_a_figure_tells_its_takes_settings_and_budget(client: TestClient) -> None:
    page = client.get("/read/1/evidence/f6").text
    session = reading(client).session
    axis = [t.id for t in session.takes_of(FarFieldTake) if t.angle_deg == 0 and t.orbit == "horizontal"]
    near = [t.id for t in session.takes_of(NearFieldTake)]
    for name in [*axis, *near]:
        assert f"<strong>{name}</strong>" in page
    aside = next(t.id for t in session.takes_of(FarFieldTake) if t.angle_deg == 90)
    assert f"<strong>{aside}</strong>" not in page
    for words in ("bass limits", "calibrator", "Step reduce", "gate after the direct sound automatic"):
        assert words in page


def test_sound_power_rests_on_every_far_field_take(client: TestClient) -> None:
    page = client.get("/read/1/evidence/curve/sound_power").text
    takes = reading(client).session.takes_of(FarFieldTake)
    assert takes
    for take in takes:
        assert f"<strong>{take.id}</strong>" in page


@pytest.mark.parametrize("path", ["evidence/nothing", "evidence/curve/nothing", "evidence/finding/900"])
def test_what_is_not_there_is_refused_in_words(client: TestClient, path: str) -> None:
    answer = client.get(f"/read/1/{path}", headers={"Wants-Piece": "true"})
    assert answer.status_code == 422
    assert 'class="error"' in answer.text


def test_a_recording_comes_as_it_was_taken_in(client: TestClient) -> None:
    take = reading(client).session.takes_of(FarFieldTake)[0]
    answer = client.get(f"/api/read/1/takes/{take.id}")
    assert hashlib.sha256(answer.content).hexdigest() == take.sha256
    assert answer.headers["content-type"] == "audio/flac"
    assert answer.headers["content-disposition"].startswith("attachment")
    ranged = client.get(f"/api/read/1/takes/{take.id}", headers={"Range": "bytes=100-199"})
    assert ranged.status_code == 206
    assert ranged.content == answer.content[100:200]


@pytest.mark.parametrize("name", ["nobody", "../../catalogue.sqlite", "..%2f..%2fcatalogue.sqlite", "%00"])
def test_no_other_file_leaves_the_archive(client: TestClient, name: str) -> None:
    answer = client.get(f"/api/read/1/takes/{name}")
    assert answer.status_code == 404
    assert b"SQLite" not in answer.content


def test_the_preview_of_what_is_kept_is_what_is_kept(client: TestClient) -> None:
    told = client.post("/api/read/1/preview", json={}).json()
    curve = reading(client).reading.curves["on_axis"]
    at = {hz: value for hz, value in zip(told["hz"], told["values"], strict=True) if value is not None}
    shown = [at.get(float(f"{f:.6g}")) for f in curve.axis.hz[curve.valid]]
    assert shown == pytest.approx(curve.values[curve.valid].tolist(), abs=1e-3)
    assert told["sentence"] == "On axis nothing changes by 0.1 dB or more."


def test_a_shorter_gate_raises_the_lowest_frequency_of_the_far_field(client: TestClient) -> None:
    # 1.2 over the length of a gate with a taper: common practice, no source.
    told = client.post("/api/read/1/preview", json={"gate_ms": 3.0}).json()
    assert told["gate_ms"] == pytest.approx(3.0)
    assert told["lowest_hz"] == pytest.approx(1.2 / 3e-3)
    assert told["splice_hz"][0] >= 400.0 * (1 - 1e-9)
    # A gate past the first reflection lets a comb in: levels move by decibels.
    combed = client.post("/api/read/1/preview", json={"gate_ms": 12.0}).json()
    before = reading(client).reading.curves["on_axis"]
    change = [
        abs(after - value)
        for after, value, ok in zip(combed["values"], before.values, before.valid, strict=True)
        if after is not None and ok
    ]
    assert max(change) > 2.0


def test_the_energy_shows_the_first_reflection_where_geometry_puts_it(client: TestClient) -> None:
    told = client.get("/api/read/1/energy").json()
    room = reading(client).session.environment.room
    assert room is not None
    speed = 331.3 * math.sqrt(1 + reading(client).session.environment.temperature_c / 273.15)
    source, microphone = np.array(room.loudspeaker_m), np.array(room.microphone_m)
    late = []
    for row, size in enumerate((room.length_m, room.width_m, room.height_m)):
        for wall in (0.0, size):
            # Mirror image of the source in the wall (image source method, handbook).
            image = source.copy()
            image[row] = 2 * wall - source[row]
            late.append((np.linalg.norm(microphone - image) - np.linalg.norm(microphone - source)) / speed)
    first_ms = 1e3 * min(late)
    assert told["reflection_ms"] == pytest.approx(first_ms, abs=0.05)
    ms, db = np.array(told["ms"]), np.array(told["db"])
    peak = float(db[np.abs(ms - first_ms) < 1.0].max())
    before = float(db[(ms > first_ms - 2.0) & (ms < first_ms - 0.5)].max())
    assert peak > before + 10.0


@pytest.mark.parametrize(
    "body",
    [
        {"gate_ms": 0.1},
        {"gate_ms": 1e9},
        {"gate_ms": "wide"},
        {"splice_low_hz": 500, "splice_high_hz": 510},
        {"unknown": 1},
    ],
)
def test_settings_out_of_range_are_refused_in_words(client: TestClient, body: dict[str, Any]) -> None:
    answer = client.post("/api/read/1/preview", json=body)
    assert answer.status_code == 422
    assert answer.json()["what"]


def test_settings_are_kept_undone_and_the_same_in_the_command_line(reduced_archive: Path, tmp_path: Path) -> None:
    folder = tmp_path / "archive"
    shutil.copytree(reduced_archive, folder)
    with entered(folder) as client:
        before = reading(client).reading.figures["f6"].value
        settings = {**asdict(AUTOMATIC), "gate_ms": 4.0}
        job = client.post("/api/read/1/settings", json={"revision": 0, "settings": settings}).json()
        assert ended(client, job)["state"] == "done"
        assert reading(client).measurement.gate.end_s == pytest.approx(4e-3)
        assert "chosen by you: gate after the direct sound 4 ms" in client.get("/read/1").text
        stale = client.post("/api/read/1/settings", json={"revision": 0, "settings": settings})
        assert stale.status_code == 409
        told = CliRunner().invoke(main, ["read", "causeway", "--archive", str(folder), "--how", "listening_window"])
        assert "gate: 4.0 ms after the direct sound" in told.output
        revision = choice_of(1, folder)[1].revision
        assert client.post("/api/read/1/settings/undo", json={"revision": revision}).status_code == 200
        assert reading(client).reading.figures["f6"].value == before
        redone = client.post("/api/read/1/settings/redo", json={"revision": revision + 1})
        assert redone.json()["value"]["gate_ms"] == 4.0
        CliRunner().invoke(main, ["read", "causeway", "--archive", str(folder), "--automatic"], catch_exceptions=False)
        assert reading(client).reading.figures["f6"].value == before
        # What another program left under that name is no reason for a fault.
        at = choice_of(1, folder)[1].revision
        client.put("/api/drafts/reduction:1", json={"revision": at, "value": ["odd"]})
        assert client.get("/read/1").status_code == 422


def test_choices_become_settings_of_the_reduction() -> None:
    assert reduce_settings(AUTOMATIC) == ReduceSettings()
    found = reduce_settings(Chosen(gate_ms=4.5, taper_percent=30, near_window_ms=100, splice_low_hz=200))
    assert (found.gate_length_s, found.fall_share, found.near_window_s) == pytest.approx((4.5e-3, 0.3, 0.1))
    assert (found.splice_low_hz, found.splice_high_hz) == (200, None)
    with pytest.raises(InputError, match="the splice is to lie"):
        Chosen(splice_low_hz=300, splice_high_hz=320)
    for odd in ([], {"x": 1}, {"gate_ms": "4"}, {"gate_ms": True}):
        with pytest.raises(InputError):
            chosen_from(odd)


def test_a_hostile_name_stays_text(tmp_path: Path) -> None:
    one = catalogue(1)[0]
    write_note(one, tmp_path / "one")
    session = session_of(one)
    spoken = session.loudspeaker.model_copy(update={"name": HOSTILE, "maker": "<b>Bold</b>"})
    with Archive.open(tmp_path / "archive") as archive:
        added = archive.add_session(session.model_copy(update={"loudspeaker": spoken}), tmp_path / "one")
        archive.keep_measurement(added.session_id, simulate(one, asdict(ReduceSettings())))
    with entered(tmp_path / "archive") as client:
        for path in ("/read", "/read/1", "/read/1/exhibit/balance", "/read/1/evidence/f6", "/compare", "/compare/1"):
            page = client.get(path)
            assert page.status_code == 200, path
            assert "<script>alert" not in page.text
            assert "<b>Bold" not in page.text
        # It was simulated: there are no recordings to try other settings on, and it says so.
        refused = client.post("/api/read/1/preview", json={"gate_ms": 4})
        assert refused.status_code == 422
        assert "no recordings" in refused.json()["what"]
