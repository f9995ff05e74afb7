"""A live session: what is done is known after every stop, and nothing recorded is lost."""

from __future__ import annotations

import hashlib
import json
import os
import random
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from rehearsal import RATE_HZ, SESSION, WIRING, write_session

from earwitness.app.capture import begin_or_open, record
from earwitness.app.measure import exposure_today
from earwitness.capture.guard import LimitError, OutputCalibration, Silencer
from earwitness.capture.plan import orbit_angles, plan_session, signal_for, wiring_for
from earwitness.capture.series import (
    JOURNAL,
    LiveSettings,
    Series,
    TakeState,
    give_up,
    next_open,
    open_series,
    start_series,
    states,
)
from earwitness.capture.simulated import FaultInjection, SimulatedSound
from earwitness.capture.take import SETTLE_S, Recorded
from earwitness.errors import EarwitnessError, InputError, SessionError
from earwitness.session.load import load_session

ANGLES = (("horizontal", (0.0, 90.0, 180.0, -90.0)),)
SETTINGS = LiveSettings(WIRING, angles_deg=ANGLES)


def _run(series: Series, sound: SimulatedSound, **options: object) -> object:
    return record(series, sound=sound, budget_file=series.folder / "exposure.json", **options)  # type: ignore[arg-type]


def test_a_session_recorded_live_is_a_session_folder(tmp_path: Path) -> None:
    folder = write_session(tmp_path / "s")
    seen: list[str] = []

    def told(state: TakeState, done: Recorded) -> None:
        seen.append(f"{state.id} {done.verdict.keep}")

    series = begin_or_open(folder, SETTINGS)
    _run(series, SimulatedSound(microphone_delay=140), told=told)
    assert seen == ["0 True", "90 True", "180 True", "-90 True", "near_woofer True"]
    session = load_session(folder)
    assert len(session.takes) == 5
    entries = json.loads((folder / JOURNAL).read_text())["takes"]
    assert {one.id: one.sha256 for one in session.takes} == {key: entry["sha256"] for key, entry in entries.items()}
    samples, _ = soundfile.read(folder / "horizontal" / "0.wav")
    # The stimulus begins after lead_in_s in the loop-back: 0.1 s of silence, then the sweep.
    start = int(np.flatnonzero(np.abs(samples[:, 1]) > 1e-3)[0])
    assert start == pytest.approx(0.1 * RATE_HZ, abs=200)
    assert next_open(series) is None


def test_the_near_field_take_is_played_at_its_own_voltage(tmp_path: Path) -> None:
    planned = plan_session(write_session(tmp_path / "s"), dict(ANGLES))
    far, near = (signal_for(planned, planned.take(name), RATE_HZ, -12.0) for name in ("0", "near_woofer"))
    assert 20 * np.log10(np.abs(far.samples).max()) == pytest.approx(-12.0, abs=0.01)
    # 1 V instead of 2.83 V.
    assert np.abs(near.samples).max() / np.abs(far.samples).max() == pytest.approx(1 / 2.83, rel=1e-6)


LOUD = """
[[take]]
kind = "two-tone"
drive_v = 2.0
distance_m = 1.0
low_hz = 60.0
high_hz = 7000.0
run_in_s = 0.5
file = "pair.wav"

[[take]]
kind = "burst"
drive_v = 4.0
distance_m = 1.0
frequency_hz = 100.0
before_s = 0.2
file = "burst.wav"

[[take]]
kind = "noise run"
drive_v = 2.0
distance_m = 1.0
run_in_s = 0.5
duration_s = 4.0
length_s = 1.0
file = "noise.wav"

[[take]]
kind = "noise floor"
file = "quiet.wav"

[[take]]
kind = "impedance"
drive_v = 1.0
resistor_ohm = 10.0
channel_a = 1
channel_b = 2
file = "impedance.wav"
"""


def test_every_voltage_follows_from_the_sweeps(tmp_path: Path) -> None:
    planned = plan_session(write_session(tmp_path / "s", SESSION + LOUD), dict(ANGLES))
    # At -12 dB re full scale the sine has 2.83 V rms, so 1 V of peak is this much:
    per_volt = 10 ** (-12 / 20) / (2.83 * np.sqrt(2))
    pair = signal_for(planned, planned.take("pair"), RATE_HZ, -12.0).samples[round(0.5 * RATE_HZ) :][:RATE_HZ]
    assert np.sqrt(np.mean(pair**2)) == pytest.approx(2.0 * per_volt, rel=0.03)
    burst = signal_for(planned, planned.take("burst"), RATE_HZ, -12.0)
    assert np.abs(burst.samples).max() == pytest.approx(4.0 * per_volt, rel=0.01)
    assert not np.any(burst.samples[: round(0.2 * RATE_HZ)])
    assert signal_for(planned, planned.take("quiet"), RATE_HZ, -12.0).silent
    wiring = wiring_for(planned, planned.take("impedance"), WIRING)
    assert (wiring.microphone, wiring.reference) == (2, 1)


def test_all_kinds_of_takes_can_be_recorded(tmp_path: Path) -> None:
    series = start_series(write_session(tmp_path / "s", SESSION + LOUD), replace(SETTINGS, peak_dbfs=-24.0))
    _run(series, SimulatedSound())
    assert [one.id for one in states(series) if not (one.state == "kept" and one.good)] == []
    assert len({one.kind for one in states(series)}) == 7
    load_session(series.folder)


def test_an_orbit_goes_round_once_and_vertical_leaves_out_what_horizontal_has(tmp_path: Path) -> None:
    assert orbit_angles(90.0) == (0.0, 90.0, 180.0, -90.0)
    assert len(orbit_angles(10.0)) == 36
    for step in (0.0, -10.0, 7.0, 0.5):
        with pytest.raises(InputError):
            orbit_angles(step)
    both = SESSION + SESSION[SESSION.index("[[take]]") : SESSION.index('[[take]]\nkind = "near')].replace(
        "horizontal", "vertical"
    ).replace("[[take]]", "\n[[take]]")
    planned = plan_session(
        write_session(tmp_path / "s", both), {"horizontal": orbit_angles(90.0), "vertical": orbit_angles(90.0)}
    )
    assert [one.id for one in planned.live if getattr(one, "orbit", "") == "vertical"] == [
        "vertical/90",
        "vertical/-90",
    ]


def test_faults_of_session_toml_are_told_before_anything_is_played(tmp_path: Path) -> None:
    folder = write_session(tmp_path / "s", SESSION.replace('driver = "woofer"', 'driver = "tweeter"'))
    with pytest.raises(SessionError, match="tweeter"):
        start_series(folder, SETTINGS)
    assert not (folder / JOURNAL).exists()
    with pytest.raises(InputError, match="there is no session"):
        start_series(tmp_path, SETTINGS)
    for file in ("near_woofer.flac", "../near.wav"):
        with pytest.raises(SessionError):
            start_series(write_session(tmp_path / "t", SESSION.replace("near_woofer.wav", file)), SETTINGS)


def test_what_technique_spoiled_is_tried_again_and_kept_aside(tmp_path: Path) -> None:
    series = start_series(write_session(tmp_path / "s"), SETTINGS)
    gap = FaultInjection(dropouts=((SETTLE_S + 0.5, 0.02),))
    done = _run(series, SimulatedSound(misfortunes=[gap, gap]), only="0")
    assert done.spoiled == 2  # type: ignore[attr-defined]
    state = states(series)[0]
    assert (state.state, state.good, state.spoiled) == ("kept", True, 2)
    for number in (1, 2):
        samples, _ = soundfile.read(series.folder / "spoiled" / f"horizontal_0-{number}.wav")
        assert len(samples) > RATE_HZ


def test_a_faulty_take_is_kept_only_where_the_tester_says_so(tmp_path: Path) -> None:
    series = start_series(write_session(tmp_path / "s"), SETTINGS)
    loud = SimulatedSound(microphone_gain=6.0)
    _run(series, loud, only="0")
    assert states(series)[0].state == "open"
    _run(series, loud, only="0", decide=lambda _done: True)
    assert (states(series)[0].state, states(series)[0].good) == ("kept", False)
    assert "clipped" in states(series)[0].sentence


def test_a_recording_is_never_overwritten_and_can_be_given_up(tmp_path: Path) -> None:
    series = start_series(write_session(tmp_path / "s"), SETTINGS)
    (series.folder / "horizontal").mkdir()
    mine = series.folder / "horizontal" / "0.wav"
    mine.write_bytes(b"of another recorder")
    assert states(series)[0].state == "found"
    _run(series, SimulatedSound())
    assert mine.read_bytes() == b"of another recorder"
    name = give_up(series, "0")
    assert (series.folder / name).read_bytes() == b"of another recorder"
    assert next_open(series).id == "0"  # type: ignore[union-attr]


def test_an_unplugged_device_stops_the_series_and_it_goes_on_later(tmp_path: Path) -> None:
    series = start_series(write_session(tmp_path / "s"), SETTINGS)
    done = _run(series, SimulatedSound(misfortunes=[FaultInjection(), FaultInjection(unplug_at_s=SETTLE_S + 0.7)]))
    assert "unplugged" in done.stopped  # type: ignore[attr-defined]
    assert [one.state for one in states(series)] == ["kept", "open", "open", "open", "open"]
    part, _ = soundfile.read(series.folder / "spoiled" / "horizontal_90-1.wav")
    assert (SETTLE_S + 0.6) * RATE_HZ < len(part) <= (SETTLE_S + 0.7) * RATE_HZ
    again = begin_or_open(series.folder, None)
    _run(again, SimulatedSound())
    assert next_open(again) is None


def test_the_switch_stops_the_series(tmp_path: Path) -> None:
    series = start_series(write_session(tmp_path / "s"), SETTINGS)
    silencer = Silencer()
    done = _run(series, SimulatedSound(), silencer=silencer, tell=lambda _s, _m: silencer.silence("enough"))
    assert done.stopped == "enough"  # type: ignore[attr-defined]
    assert next_open(series).id == "0"  # type: ignore[union-attr]


def test_limits_and_the_days_budget_hold_back_a_take(tmp_path: Path) -> None:
    loud = replace(SETTINGS, calibration=OutputCalibration(125.0))
    series = start_series(write_session(tmp_path / "s"), loud)
    with pytest.raises(LimitError):
        _run(series, SimulatedSound())
    # Through the wire the microphone hears the sweep at -15.05 - 6.02 dB re full scale; 0.1 FS/Pa: 93 dB at 1 m.
    series = start_series(write_session(tmp_path / "t"), replace(SETTINGS, calibration=OutputCalibration(108.0)))
    _run(series, SimulatedSound(), only="0")
    budget = exposure_today(series.folder / "exposure.json")
    ((level, time_s),) = budget.exposures
    assert level == pytest.approx(-12 - 3.01 - 6.02 - 20 * np.log10(0.1 * 20e-6) - 6.02 + 3.0, abs=0.5)
    assert 0.0 < time_s <= 1.7
    (series.folder / "exposure.json").write_text(json.dumps({"day": budget.day, "exposures": [[94.0, 3600.0]]}))
    with pytest.raises(InputError, match="nothing was played"):
        _run(series, SimulatedSound(), only="90")
    _run(series, SimulatedSound(), only="90", away=True)
    assert states(series)[1].state == "kept"


def test_the_simulated_wire_records_no_real_loudspeaker(tmp_path: Path) -> None:
    folder = write_session(tmp_path / "s", SESSION.replace("invented = true", "invented = false"))
    with pytest.raises(InputError, match="records nothing real"):
        begin_or_open(folder, SETTINGS)


@pytest.mark.parametrize(
    "text", ["", "[]", "{}", '{"format": 1}', '{"format": 1, "takes": {}, "spoiled": [], "settings": {}}']
)
def test_a_damaged_journal_is_told(tmp_path: Path, text: str) -> None:
    folder = write_session(tmp_path / "s")
    (folder / JOURNAL).write_text(text)
    with pytest.raises(InputError, match="journal of the live session is damaged"):
        open_series(folder)


@pytest.mark.slow
def test_killed_at_any_instant_nothing_acknowledged_is_lost(tmp_path: Path) -> None:
    folder = write_session(tmp_path / "s")
    dice = random.Random(7)
    kept: set[str] = set()
    for round_number in range(12):
        safe = _run_and_kill(folder, round_number, dice.randrange(1, 400), dice.uniform(0.0, 0.02), kept)
        series = open_series(folder)
        there = {one.id: one for one in states(series)}
        assert all(there[name].state in ("kept", "found") for name in kept)
        for entry in json.loads((folder / JOURNAL).read_text())["takes"].values():
            assert hashlib.sha256((folder / entry["file"]).read_bytes()).hexdigest() == entry["sha256"]
        if safe is not None and there[safe[0]].state == "open":
            spoiled = [one["file"] for one in series.journal["spoiled"] if one["take"] == safe[0]]
            longest = max(soundfile.info(folder / name).frames for name in spoiled)
            assert longest >= safe[1]
        for path in folder.rglob("*.wav"):
            samples, _ = soundfile.read(path)
            assert np.all(np.isfinite(samples))
        assert not list(folder.rglob("*.part"))
        # The next process is another program.
        series.close()
    assert len(kept) >= 5
    finish = subprocess.run(
        [*_COMMAND, str(folder), "99"], env=_ENVIRONMENT, capture_output=True, text=True, check=True
    )
    assert finish.stdout.endswith("all\n")
    assert len(load_session(folder).takes) == 37


_COMMAND = [sys.executable, str(Path(__file__).with_name("recording_process.py"))]
_ENVIRONMENT = {**os.environ, "PYTHONPATH": str(Path(__file__).parent), "OMP_NUM_THREADS": "1"}


def _run_and_kill(folder: Path, seed: int, blocks: int, after_s: float, kept: set[str]) -> tuple[str, int] | None:
    """Kill the recording process `after_s` seconds after so many blocks; what it last said was safe.

    Blocks, some 110 a take, and not seconds: a busy machine records fewer takes in a second.
    """
    with subprocess.Popen(
        [*_COMMAND, str(folder), str(seed)], stdout=subprocess.PIPE, text=True, env=_ENVIRONMENT
    ) as process:
        assert process.stdout is not None
        lines = [process.stdout.readline() for _ in range(blocks)]
        time.sleep(after_s)
        process.send_signal(signal.SIGKILL)
        lines += process.stdout.readlines()
        process.wait()
    safe = None
    for line in lines:
        word, *facts = line.rstrip("\n").split("\t")
        if word == "safe" and line.endswith("\n"):
            safe = (facts[0], int(facts[1]))
    # A take counts as acknowledged once the next one has begun.
    order = [line.split("\t")[1] for line in lines if line.startswith("safe") and line.count("\t") == 2]
    kept.update(name for name in order if name != order[-1])
    return safe


def test_errors_of_the_act_are_words(tmp_path: Path) -> None:
    with pytest.raises(EarwitnessError, match="no live session was begun"):
        begin_or_open(write_session(tmp_path / "s"), None)
