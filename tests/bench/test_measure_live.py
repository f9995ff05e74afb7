"""Live measuring in the bench through its requests: nothing sounds unasked, and what sounds can be silenced."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from bench_client import entered
from live_bench import LIVE, TAB, Listened, ListenedSound, begun, is_ready, sounding, wait_for
from starlette.testclient import TestClient

from earwitness.app.capture import day_file
from earwitness.app.measure import new_rehearsal
from earwitness.bench.live import LIFE_S, LiveDesk
from earwitness.capture.simulated import FaultInjection, SimulatedSound
from earwitness.capture.sound import Wiring
from earwitness.capture.take import SETTLE_S
from earwitness.session.load import load_session
from patience import PATIENCE_S, until


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    with entered(tmp_path_factory.mktemp("live") / "archive") as client:
        yield client


@pytest.fixture
def desk(bench: TestClient, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[LiveDesk]:
    """The bench's live desk, closed, with a fast wire and a day of its own; patient with a slow machine's page."""
    monkeypatch.setattr("earwitness.bench.live.LIFE_S", PATIENCE_S)
    sound = SimulatedSound(noise_rms=1e-6)
    made = LiveDesk(sounds=lambda _: sound, day_file=lambda _: tmp_path / "day.json")
    bench.app.state.bench.live = made  # type: ignore[attr-defined]
    yield made
    made.close()


@pytest.fixture
def live(bench: TestClient, desk: LiveDesk) -> TestClient:
    """A client of the bench with that desk."""
    assert desk.phase == "closed"
    return bench


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return new_rehearsal(tmp_path / "session").parent


@pytest.fixture
def heard(desk: LiveDesk) -> Listened:
    """What leaves a wire that runs as slowly as a real one."""
    sound = ListenedSound(speed=1.0)
    sound.heard.blocks.clear()
    desk.sounds = lambda _: sound
    return sound.heard


def lasting(folder: Path) -> Path:
    """The session with a sweep of ten seconds, to be broken off in, however slow the machine."""
    text = (folder / "session.toml").read_text(encoding="utf-8")
    (folder / "session.toml").write_text(text.replace("duration_s = 1.0", "duration_s = 10.0"), encoding="utf-8")
    return folder


def starts_to_sound(client: TestClient, heard: Listened, told: dict) -> None:
    assert client.post(f"{LIVE}/record", json=sounding(told, take="0", pause_s=0)).status_code == 200
    until(lambda: heard.after(0.0) > 0.01)


def test_the_whole_way_from_folder_to_session(live: TestClient, folder: Path) -> None:
    told = begun(live, folder)
    assert [one["id"] for one in told["takes"]] == ["0", "180", "near_woofer"]
    assert (told["next"], told["calibrated"]) == ("0", False)
    live.post(f"{LIVE}/level", json=sounding(told, target_db=70.0, distance_m=1.0))
    told = wait_for(live, is_ready)
    assert told["level"]["end"] == "reached"
    assert told["loopback"]["wired"]
    assert told["budget"]["percent"] > 0.0
    assert any("dB at 1 m" in line for line in told["cautions"])
    live.post(f"{LIVE}/record", json=sounding(told, take="0", pause_s=0))
    told = wait_for(live, is_ready)
    assert (told["next"], told["judged"][0]["keep"]) == ("180", True)
    live.post(f"{LIVE}/record", json=sounding(told, take=None, pause_s=0))
    told = wait_for(live, is_ready)
    assert told["done"]
    assert len(load_session(folder).takes) == 3
    again = live.post(f"{LIVE}/again", json={"take": "0"}).json()
    assert again["next"] == "0"
    assert (folder / "spoiled" / "horizontal_0-1.wav").is_file()


def test_nothing_sounds_without_the_words_confirmed(live: TestClient, folder: Path, heard: Listened) -> None:
    told = begun(live, folder)
    for confirmed in ("yes", "0" * 64):
        for url, more in (
            ("record", {"take": "0"}), ("loopback", {}), ("level", {"target_db": 70.0, "distance_m": 1.0}),
        ):  # fmt: skip
            refused = live.post(f"{LIVE}/{url}", json={"tab": TAB, "confirmed": confirmed, **more})
            assert refused.status_code == 422
            assert "not confirmed" in refused.json()["what"]
    assert heard.blocks == []
    # Other limits, other words: what was confirmed before counts no more.
    live.post(f"{LIVE}/setup", json={"highest_dbfs": -3.0})
    assert live.post(f"{LIVE}/loopback", json=sounding(told)).status_code == 422


def test_above_the_set_limit_nothing_is_played(live: TestClient, folder: Path, heard: Listened) -> None:
    told = begun(live, folder, peak_dbfs=-6.0, highest_dbfs=-20.0)
    live.post(f"{LIVE}/record", json=sounding(told, take="0", pause_s=0))
    told = wait_for(live, is_ready)
    assert "above the set limit" in told["error"]["what"]
    assert heard.blocks == []
    assert live.post(f"{LIVE}/setup", json={"highest_ear_db": 116.0}).status_code == 422


def test_the_abort_key_silences_the_very_next_block(live: TestClient, folder: Path, heard: Listened) -> None:
    starts_to_sound(live, heard, begun(live, lasting(folder)))
    live.post(f"{LIVE}/silence", json={})
    pressed = time.monotonic()
    told = wait_for(live, is_ready)
    assert heard.after(pressed) == 0.0
    assert "abort key" in told["silenced"]
    assert told["next"] == "0"
    assert list((folder / "spoiled").iterdir())


def test_without_signs_of_life_of_the_page_it_falls_silent(
    live: TestClient, desk: LiveDesk, folder: Path, heard: Listened, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("earwitness.bench.live.LIFE_S", LIFE_S)
    # The clock is that of the stream, so that a slow machine is none.
    desk._clock = lambda: sum(len(block) for _, block in heard.blocks) / 48_000
    starts_to_sound(live, heard, begun(live, lasting(folder)))
    # Signs of life of some other page do not count.
    for _ in range(5):
        live.post(f"{LIVE}/beat", json={"tab": "page-two-2"})
        time.sleep(0.05)
    told = wait_for(live, is_ready, beats=False)
    assert "no sign of life" in told["silenced"]
    sounded_s = sum(len(block) for _, block in heard.blocks if np.any(block)) / 48_000
    assert 0.0 < sounded_s < LIFE_S + 0.3


def test_a_page_that_closes_silences_what_it_started_and_no_other_does(
    live: TestClient, desk: LiveDesk, folder: Path, heard: Listened
) -> None:
    starts_to_sound(live, heard, begun(live, lasting(folder)))
    live.post(f"{LIVE}/gone", json={"tab": "page-two-2"})
    assert desk.phase == "recording"
    live.post(f"{LIVE}/gone", json={"tab": TAB})
    left = time.monotonic()
    told = wait_for(live, is_ready)
    assert heard.after(left) == 0.0
    assert "page that started this was closed" in told["silenced"]


def test_the_count_down_is_silent_and_can_be_broken_off(live: TestClient, folder: Path, heard: Listened) -> None:
    told = begun(live, folder)
    live.post(f"{LIVE}/record", json=sounding(told, take="0", pause_s=60))
    wait_for(live, lambda now: now["phase"] == "counting" and now["take"] == "0")
    live.post(f"{LIVE}/silence", json={})
    wait_for(live, is_ready)
    assert heard.after(0.0) == 0.0


def test_one_thing_at_a_time_and_the_open_folder_is_shared(
    live: TestClient, desk: LiveDesk, folder: Path, heard: Listened, tmp_path: Path
) -> None:
    told = begun(live, lasting(folder))
    starts_to_sound(live, heard, told)
    other = new_rehearsal(tmp_path / "other").parent
    for url, body in (
        ("open", {"folder": str(other)}), ("setup", {"peak_dbfs": -20.0}), ("leave", {}), ("again", {"take": "0"}),
        ("record", sounding(told, take="180")), ("loopback", sounding(told)),
    ):  # fmt: skip
        assert live.post(f"{LIVE}/{url}", json=body).status_code == 422, url
    # A second page on the same folder sees it, and leaves what is being recorded alone.
    assert live.post(f"{LIVE}/open", json={"folder": str(folder)}).json()["phase"] == "recording"
    desk.sounds(Wiring("simulated", "simulated")).pace(0.0)  # type: ignore[attr-defined]
    told = wait_for(live, is_ready)
    assert told["next"] == "180"


def test_an_unplugged_device_keeps_what_there_is_and_can_be_gone_on_with(
    live: TestClient, desk: LiveDesk, folder: Path
) -> None:
    sound = SimulatedSound(misfortunes=[FaultInjection(unplug_at_s=SETTLE_S + 0.9)])
    desk.sounds = lambda _: sound
    told = begun(live, folder)
    live.post(f"{LIVE}/record", json=sounding(told, take=None, pause_s=0))
    told = wait_for(live, is_ready)
    assert "unplugged" in told["stopped"]
    assert told["takes"][0]["spoiled"] == 1
    live.post(f"{LIVE}/record", json=sounding(told, take=None, pause_s=0))
    assert wait_for(live, is_ready)["done"]


@pytest.mark.parametrize("keep", [True, False])
def test_a_whole_but_faulty_recording_is_asked_about(
    live: TestClient, desk: LiveDesk, folder: Path, keep: bool
) -> None:
    desk.sounds = lambda _: SimulatedSound(microphone_gain=6.0)
    told = begun(live, folder)
    live.post(f"{LIVE}/record", json=sounding(told, take="0", pause_s=0))
    told = wait_for(live, lambda now: now["phase"] == "asking")
    assert "clipped" in told["question"]["sentence"]
    live.post(f"{LIVE}/decide", json={"keep": keep})
    told = wait_for(live, is_ready)
    assert (told["takes"][0]["state"], told["takes"][0]["good"]) == (("kept", False) if keep else ("open", False))
    assert live.post(f"{LIVE}/decide", json={"keep": True}).status_code == 422


def test_a_calibrator_is_heard_by_an_input_alone(live: TestClient, desk: LiveDesk, folder: Path) -> None:
    wirings = []
    desk.sounds = lambda wiring: wirings.append(wiring) or SimulatedSound(tone=(1000.0, 0.1))  # type: ignore[func-returns-value]
    told = begun(live, folder)
    body = {"tab": TAB, "folder": told["folder"], "source": "simulated"}
    assert live.post(f"{LIVE}/calibrate", json={**body, "folder": "/elsewhere"}).status_code == 422
    assert live.post(f"{LIVE}/calibrate", json=body).status_code == 200
    told = wait_for(live, is_ready)
    assert [one.outputs for one in wirings] == [()]
    # 94 dB re 20 uPa are 1.0024 Pa.
    assert told["calibrator"]["fs_per_pa"] == pytest.approx(0.1 / 1.0024, rel=1e-3)
    assert told["calibrator"]["lines"][0] == "[microphone.calibrator]"


def test_what_a_crash_left_is_told_when_the_folder_is_opened_again(
    live: TestClient, folder: Path, heard: Listened
) -> None:
    starts_to_sound(live, heard, begun(live, lasting(folder)))
    live.post(f"{LIVE}/silence", json={})
    wait_for(live, is_ready)
    part = folder / "horizontal" / "0.wav.part"
    wave = next((folder / "spoiled").glob("*.wav"))
    part.write_bytes(wave.read_bytes())
    told = live.post(f"{LIVE}/open", json={"folder": str(folder)}).json()
    assert told["recovered"] == ["spoiled/horizontal_0-2.wav"]
    assert told["begun"]
    assert told["takes"][0]["state"] == "open"


def test_the_simulated_wire_records_nothing_real(live: TestClient, folder: Path) -> None:
    path = folder / "session.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("invented = true", ""), encoding="utf-8")
    assert live.post(f"{LIVE}/open", json={"folder": str(folder)}).status_code == 200
    refused = live.post(f"{LIVE}/setup", json={"source": "simulated", "sink": "simulated"})
    assert "nothing real" in refused.json()["what"]


def test_the_faults_of_a_session_are_all_told(live: TestClient, folder: Path) -> None:
    path = folder / "session.toml"
    text = path.read_text(encoding="utf-8").replace("width_m = 0.20", "width_m = -1").replace("closed", "closd")
    path.write_text(text, encoding="utf-8")
    told = live.post(f"{LIVE}/open", json={"folder": str(folder)})
    assert told.status_code == 422
    assert len(told.json()["faults"]) == 2


def test_devices_end_in_words_where_there_is_no_sound_library(
    live: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    told = live.get(f"{LIVE}/devices").json()
    assert [one["value"] for one in told["devices"]] == ["simulated"]
    assert "earwitness[live]" in told["missing"]["remedy"]


def test_a_stopping_bench_silences(live: TestClient, desk: LiveDesk, folder: Path, heard: Listened) -> None:
    starts_to_sound(live, heard, begun(live, lasting(folder)))
    desk.close()
    assert heard.after(time.monotonic()) == 0.0
    count = len(heard.blocks)
    time.sleep(0.2)
    assert len(heard.blocks) == count
    assert desk.phase == "ready"


def test_the_exposure_of_a_rehearsal_is_kept_apart(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    names = [day_file(Wiring(one, one)).name for one in ("default", "simulated")]
    assert names == ["exposure.json", "exposure-rehearsed.json"]
