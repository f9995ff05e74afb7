"""Takes of one session are played alike: what was changed between them is told, and never recorded over in silence.

What is checked follows from what a session means: its takes differ by angle, so that one signal at one voltage is
played for all of them; a level in dB is 20 lg of the ratio of peaks.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from rehearsal import SESSION, WIRING, write_session

from earwitness.app.capture import begin_or_open, record, remarks
from earwitness.capture.series import JOURNAL, LiveSettings, Series, give_up, open_series, states, unlike
from earwitness.capture.simulated import SimulatedSound
from earwitness.errors import InputError

SETTINGS = LiveSettings(WIRING, angles_deg=(("horizontal", (0.0, 90.0)),))


def _begun(folder: Path, *takes: str) -> Path:
    """A live session in which `takes` are recorded."""
    series = begin_or_open(write_session(folder), SETTINGS)
    for take in takes:
        _run(series, only=take)
    series.close()
    return folder


def _run(series: Series, *, only: str | None = None) -> SimulatedSound:
    sound = SimulatedSound()
    record(series, sound=sound, only=only, budget_file=series.folder / "exposure.json")
    return sound


def _changed(folder: Path, old: str, new: str) -> Series:
    assert old in SESSION
    (folder / "session.toml").write_text(SESSION.replace(old, new), encoding="utf-8")
    return open_series(folder)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("duration_s = 0.5", "duration_s = 1.0", "duration_s was 0.5 and is 1"),
        ("start_hz = 50.0", "start_hz = 20.0", "start_hz was 50 and is 20"),
        ("lead_in_s = 0.1", "lead_in_s = 0.3", "lead_in_s was 0.1 and is 0.3"),
        ('kind = "sweep"', 'kind = "sweep"\nform = "classic"', "form was not said and is classic"),
    ],
)
def test_another_signal_is_not_recorded_beside_kept_takes(tmp_path: Path, old: str, new: str, words: str) -> None:
    series = _changed(_begun(tmp_path / "s", "0", "near_woofer"), old, new)
    with pytest.raises(InputError, match="Takes 0, near_woofer were recorded with another signal") as told:
        _run(series)
    assert words in told.value.what
    assert words in " ".join(remarks(series))
    assert [one.state for one in states(series)] == ["kept", "open", "kept"]


def test_another_sample_rate_is_not_recorded_beside_kept_takes(tmp_path: Path) -> None:
    folder = _begun(tmp_path / "s", "0")
    series = begin_or_open(folder, replace(SETTINGS, wiring=replace(WIRING, rate_hz=96_000)))
    with pytest.raises(InputError, match="rate_hz was 48000 and is 96000"):
        _run(series)


def test_takes_are_repeated_one_by_one_with_the_new_signal(tmp_path: Path) -> None:
    series = _changed(_begun(tmp_path / "s", "0"), "duration_s = 0.5", "duration_s = 1.0")
    give_up(series, "0")
    _run(series, only="0")
    assert unlike(series) == ()
    _run(series)
    assert all(one.state == "kept" for one in states(series))


def test_what_does_not_change_the_signal_may_be_mended_between_takes(tmp_path: Path) -> None:
    folder = _begun(tmp_path / "s", "0")
    series = _changed(folder, "distance_m = 1.0", "distance_m = 1.5")
    assert unlike(series) == ()
    series.close()
    # The voltage is measured and written once the level is set; the sweep at that voltage stays what it is.
    assert unlike(_changed(folder, "voltage_v = 2.83", "voltage_v = 3.1")) == ()


def test_a_take_with_a_voltage_of_its_own_follows_the_voltage_that_was_written(tmp_path: Path) -> None:
    series = _changed(_begun(tmp_path / "s", "near_woofer"), "voltage_v = 2.83", "voltage_v = 1.415")
    (one,) = unlike(series)
    # Half the voltage at the same output: 1 V then asks for twice the output, 6.02 dB more than before.
    assert (one.takes, one.louder_db) == (("near_woofer",), pytest.approx(-6.0, abs=0.05))


def test_another_level_is_told_with_its_size_and_recording_goes_on(tmp_path: Path) -> None:
    folder = _begun(tmp_path / "s", "0")
    series = begin_or_open(folder, replace(SETTINGS, peak_dbfs=-24.0))
    assert "Take 0 was played 12.0 dB louder than now" in " ".join(remarks(series))
    _run(series)
    peaks = [np.abs(soundfile.read(folder / "horizontal" / f"{angle}.wav")[0]).max() for angle in (0, 90)]
    assert 20 * np.log10(peaks[0] / peaks[1]) == pytest.approx(12.0, abs=0.1)


@pytest.mark.parametrize("played", [None, {}, {"signal": {}, "level_dbfs": "loud"}, 7])
def test_a_journal_that_does_not_tell_what_was_played_is_still_one(tmp_path: Path, played: object) -> None:
    folder = _begun(tmp_path / "s", "0")
    journal = json.loads((folder / JOURNAL).read_text())
    journal["takes"]["0"]["played"] = played
    (folder / JOURNAL).write_text(json.dumps(journal))
    assert all(one.louder_db is None for one in unlike(open_series(folder)))


def test_another_stimulus_file_under_the_same_name_is_told(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    folder.mkdir()
    rng = np.random.default_rng(1)
    soundfile.write(folder / "played.wav", 0.5 * rng.uniform(-1, 1, 24_000), 48_000)
    begin, end = SESSION.index("[stimulus]"), SESSION.index("[reference]")
    text = SESSION[:begin] + '[stimulus]\nkind = "file"\nfile = "played.wav"\nlead_in_s = 0.1\n\n' + SESSION[end:]
    series = begin_or_open(write_session(folder, text), SETTINGS)
    _run(series, only="0")
    assert unlike(series) == ()
    soundfile.write(folder / "played.wav", 0.5 * rng.uniform(-1, 1, 24_000), 48_000)
    assert "played.wav holds something else" in unlike(series)[0].sentence


def test_a_take_that_is_none_or_is_recorded_is_told_and_nothing_is_played(tmp_path: Path) -> None:
    series = open_series(_begun(tmp_path / "s", "0"))
    with pytest.raises(InputError, match="there is no take 'zero'"):
        _run(series, only="zero")
    with pytest.raises(InputError, match="'0' is recorded already") as told:
        _run(series, only="0")
    assert "--take 0 --again" in told.value.remedy
