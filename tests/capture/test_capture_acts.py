"""The acts of live measuring and their command line, over the simulated wire."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result
from rehearsal import RATE_HZ, SESSION, WIRING, write_session

from earwitness.app.capture import begin_or_open, calibrate, cautions, check_levels, sensitivity_of
from earwitness.capture.guard import OutputLimits
from earwitness.capture.series import LiveSettings, open_series
from earwitness.capture.simulated import SimulatedSound
from earwitness.capture.sound import sound_card
from earwitness.cli import main
from earwitness.errors import InputError, MissingExtraError
from earwitness.session.load import load_session

SETTINGS = LiveSettings(WIRING, angles_deg=(("horizontal", (0.0, 180.0)),))
SPL = "sensitivity_fs_per_pa = 0.1"


def _cli(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["measure", *arguments])


def test_a_calibrator_is_recorded_and_gives_the_sensitivity(tmp_path: Path) -> None:
    folder = write_session(tmp_path / "s", SESSION.replace(SPL, ""))
    assert sensitivity_of(folder) is None
    done = calibrate(folder, WIRING, sound=SimulatedSound(tone=(1000.0, 0.1)))
    assert done.reading.faults == ()
    # 94 dB re 20 uPa are 1.0024 Pa.
    assert sensitivity_of(folder) == pytest.approx(0.1 / 1.0024, rel=1e-3)
    assert sensitivity_of(write_session(tmp_path / "t")) == 0.1
    assert done.lines[0] == "[microphone.calibrator]"


def test_a_calibrator_that_is_off_is_kept_aside_and_the_good_one_stays(tmp_path: Path) -> None:
    folder = write_session(tmp_path / "s", SESSION.replace(SPL, ""))
    calibrate(folder, WIRING, sound=SimulatedSound(tone=(1000.0, 0.1)))
    off = calibrate(folder, WIRING, sound=SimulatedSound(tone=(900.0, 0.1)))
    assert off.file is None
    assert any("900.0 Hz" in fault for fault in off.reading.faults)
    assert soundfile.info(folder / "spoiled" / "calibrator-1.wav").frames > 5 * RATE_HZ
    assert sensitivity_of(folder) is not None
    calibrate(folder, WIRING, sound=SimulatedSound(tone=(1000.0, 0.2)))
    assert sensitivity_of(folder) == pytest.approx(0.2 / 1.0024, rel=1e-3)
    assert (folder / "spoiled" / "calibrator-2.wav").exists()


def test_a_calibrator_makes_no_folder_under_a_mistyped_name(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="there is no such folder"):
        calibrate(tmp_path / "mistyped", WIRING, sound=SimulatedSound(tone=(1000.0, 0.1)))
    assert not (tmp_path / "mistyped").exists()


def test_levels_are_set_kept_and_told(tmp_path: Path) -> None:
    series = begin_or_open(write_session(tmp_path / "s"), SETTINGS)
    assert "not calibrated" in " ".join(cautions(series))
    done, after = check_levels(
        series, 75.0, 2.0, sound=SimulatedSound(noise_rms=1e-6), budget_file=tmp_path / "exposure.json"
    )
    assert done.level.end == "reached"
    assert done.loopback is not None
    assert done.loopback.wired
    assert open_series(series.folder).settings == after.settings
    # The sweep that comes out as loud: its rms is 3.01 dB below its peak, the wire's gain is -6.02 dB.
    assert done.peak_dbfs is not None
    at_microphone = done.peak_dbfs - 3.01 - 6.02 - 20 * np.log10(0.1 * 20e-6)
    assert at_microphone == pytest.approx(done.level.microphone_db, abs=0.3)
    assert "dB at 1 m" in " ".join(cautions(after))
    assert (tmp_path / "exposure.json").exists()


def test_without_a_sensitivity_no_level_is_set(tmp_path: Path) -> None:
    folder = write_session(tmp_path / "s", SESSION.replace(SPL, '[microphone.calibrator]\nfile = "calibrator.wav"'))
    with pytest.raises(InputError, match="measure calibrate"):
        check_levels(begin_or_open(folder, SETTINGS), 75.0, 2.0, sound=SimulatedSound())


def test_a_limit_below_the_target_holds(tmp_path: Path) -> None:
    series = begin_or_open(
        write_session(tmp_path / "s"),
        LiveSettings(WIRING, limits=OutputLimits(highest_1m_db=70.0), angles_deg=SETTINGS.angles_deg),
    )
    done, _ = check_levels(series, 90.0, 1.0, sound=SimulatedSound(), budget_file=tmp_path / "exposure.json")
    assert done.level.end == "limit at 1 m"


@pytest.mark.parametrize(
    ("error", "line"), [(ImportError(), "pip install 'earwitness[live]'"), (OSError("no"), "apt install libportaudio2")]
)
def test_a_missing_sound_library_says_how_to_get_it(
    monkeypatch: pytest.MonkeyPatch, error: Exception, line: str
) -> None:
    def fail(name: str) -> ModuleType:
        if name == "sounddevice":
            raise error
        return real(name)

    real = importlib.import_module
    monkeypatch.setattr(importlib, "import_module", fail)
    with pytest.raises(MissingExtraError) as told:
        sound_card()
    assert line in str(told.value)


def test_the_command_line_says_so_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    done = _cli("devices")
    assert done.exit_code == 8
    assert "earwitness[live]" in done.output


def test_the_command_line_asks_before_anything_is_played(tmp_path: Path) -> None:
    folder = write_session(tmp_path / "s")
    done = _cli("record", str(folder), "--input", "simulated", "--step", "180")
    assert done.exit_code == 2
    assert "hearing protection" in done.output
    assert "nothing was played" in done.output


def test_the_command_line_rehearses_a_whole_session(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    folder = write_session(tmp_path / "s")
    first = _cli("record", str(folder), "--input", "simulated", "--step", "180", "--take", "0", "--yes", "--pause", "0")
    assert first.exit_code == 0, first.output
    done = _cli("resume", str(folder), "--yes", "--pause", "0")
    assert done.exit_code == 0, done.output
    assert "all recorded" in done.output
    assert len(load_session(folder).takes) == 3
    again = _cli("record", str(folder), "--take", "0", "--again", "--yes", "--pause", "0")
    assert again.exit_code == 0, again.output
    assert (folder / "spoiled" / "horizontal_0-1.wav").exists()


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (("--outputs", "left"), "output channels"),
        (("--highest", "3"), "at most 0 dB"),
        (("--rate", "8000"), "8000 Hz"),
        (("--step", "7"), "7 degrees"),
    ],
)
def test_impossible_options_are_told(tmp_path: Path, arguments: tuple[str, ...], word: str) -> None:
    folder = write_session(tmp_path / "s")
    done = _cli("record", str(folder), "--input", "simulated", "--yes", *arguments)
    assert done.exit_code == 2
    assert word in done.output


def test_resume_without_a_live_session_is_told(tmp_path: Path) -> None:
    done = _cli("resume", str(write_session(tmp_path / "s")))
    assert done.exit_code == 2
    assert "no live session was begun" in done.output
