"""Two programs and one folder: the second is refused in words, and a killed one leaves no lock behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner
from rehearsal import WIRING, write_session

from earwitness.app.capture import begin_or_open, calibrate
from earwitness.bench.live import LiveDesk
from earwitness.capture.disk import LOCK, FolderLock
from earwitness.capture.series import JOURNAL, LiveSettings, change_settings, open_series, start_series
from earwitness.capture.simulated import SimulatedSound
from earwitness.cli.measure import command
from earwitness.errors import InputError, OutputError
from patience import until

SETTINGS = LiveSettings(WIRING, angles_deg=(("horizontal", (0.0, 180.0)),))
_ENVIRONMENT = {**os.environ, "PYTHONPATH": str(Path(__file__).parent), "OMP_NUM_THREADS": "1"}
_HOLDS = "import sys; from pathlib import Path; from earwitness.capture.disk import FolderLock; "
_HOLDS += "lock = FolderLock(Path(sys.argv[1])); print('held', flush=True); sys.stdin.read()"


@contextmanager
def recording(folder: Path) -> Iterator[subprocess.Popen[str]]:
    """Another program that records into the folder; its first block is on disk."""
    script = str(Path(__file__).with_name("recording_process.py"))
    with subprocess.Popen(
        [sys.executable, script, str(folder), "1"], stdout=subprocess.PIPE, text=True, env=_ENVIRONMENT
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline().startswith("safe")
        yield process
        process.kill()


@contextmanager
def holding(folder: Path) -> Iterator[subprocess.Popen[str]]:
    """Another program that holds the folder's lock until it is told to end."""
    with subprocess.Popen(
        [sys.executable, "-c", _HOLDS, str(folder)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        yield process


def test_a_second_program_is_refused_in_words_and_changes_nothing(tmp_path: Path) -> None:
    folder = write_session(tmp_path / "s")
    with recording(folder) as other:
        # Stopped in a take, so that a moment lasts; a stopped process keeps its locks.
        def stops_in_a_take() -> bool:
            other.send_signal(signal.SIGSTOP)
            if any(folder.rglob("*.part")):
                return True
            other.send_signal(signal.SIGCONT)
            return False

        until(stops_in_a_take)
        before = {path: path.stat().st_size for path in folder.rglob("*") if path.name != f"{LOCK}-journal"}
        result = CliRunner().invoke(command, ["resume", str(folder), "--yes", "--pause", "0"])
        again = CliRunner().invoke(command, ["record", str(folder), "--take", "0", "--again", "--yes"])
        sounding = CliRunner().invoke(
            command, ["calibrate", str(folder), "--input", "simulated"], catch_exceptions=False
        )
        after = {path: path.stat().st_size for path in folder.rglob("*") if path.name != f"{LOCK}-journal"}
        assert any(path.name.endswith(".part") for path in before), "nothing was being recorded"
        assert after == before
        for told in (result, again, sounding):
            assert told.exit_code == InputError.exit_code
            assert f"process {other.pid} on this computer" in told.output
            assert str(folder) in told.output
            assert "to do: let it end" in told.output
        other.send_signal(signal.SIGCONT)
    # Without the lock the part of the running recording would have been taken for that of a crash.
    assert not (folder / "spoiled").exists()


def test_a_killed_program_leaves_no_lock_behind(tmp_path: Path) -> None:
    folder = write_session(tmp_path / "s")
    with recording(folder) as other:
        other.send_signal(signal.SIGKILL)
        other.wait()
        assert (folder / LOCK).exists()
        series = open_series(folder)
    assert series.recovered
    series.close()


def test_the_bench_refuses_a_folder_that_is_recorded_elsewhere_and_leaves_its_own(tmp_path: Path) -> None:
    folder, desk = write_session(tmp_path / "s"), LiveDesk()
    start_series(folder, SETTINGS).close()
    with holding(folder), pytest.raises(InputError, match="open for recording"):
        desk.open(folder)
    assert desk.told()["folder"] is None
    desk.open(folder)
    assert _is_refused(folder)
    desk.leave()
    assert not _is_refused(folder)
    desk.open(folder)
    desk.close()
    assert not _is_refused(folder)


def test_two_that_begin_at_once_do_not_both_begin(tmp_path: Path) -> None:
    folder = write_session(tmp_path / "s")
    with holding(folder), pytest.raises(InputError, match="open for recording"):
        begin_or_open(folder, SETTINGS)
    assert not (folder / JOURNAL).exists()


def test_a_series_is_shared_in_its_own_program_and_let_go_by_the_last(tmp_path: Path) -> None:
    folder = write_session(tmp_path / "s")
    one = begin_or_open(folder, SETTINGS)
    two = begin_or_open(folder, None)
    changed = change_settings(one, SETTINGS)
    one.close()
    one.close()
    assert _is_refused(folder)
    changed.close()
    assert _is_refused(folder)
    two.close()
    assert not _is_refused(folder)


def test_a_series_that_cannot_be_opened_holds_nothing(tmp_path: Path) -> None:
    folder = write_session(tmp_path / "s")
    start_series(folder, SETTINGS).close()
    (folder / JOURNAL).write_text("{}")
    with pytest.raises(InputError, match="damaged") as caught:
        open_series(folder)
    assert not _is_refused(folder)
    real = write_session(tmp_path / "r", (folder / "session.toml").read_text().replace("invented = true", ""))
    with pytest.raises(InputError, match="nothing real") as wrong:
        begin_or_open(real, SETTINGS)
    assert not _is_refused(real)
    assert caught.value.remedy
    assert wrong.value.remedy


def test_calibrating_keeps_others_out_only_while_it_lasts(tmp_path: Path) -> None:
    folder = write_session(tmp_path / "s")
    refused: list[bool] = []

    def tell(_share: float, _meter: object) -> None:
        if not refused:
            refused.append(_is_refused(folder))

    calibrate(folder, WIRING, sound=SimulatedSound(speed=40.0, tone=(1000.0, 0.1)), tell=tell, duration_s=1.0)
    assert refused == [True]
    assert not _is_refused(folder)


def test_a_damaged_lock_says_what_to_delete(tmp_path: Path) -> None:
    (tmp_path / LOCK).write_bytes(b"no lock at all, but long enough to be looked at" * 20)
    with pytest.raises(InputError, match="damaged") as caught:
        FolderLock(tmp_path)
    assert f"delete {LOCK}" in caught.value.remedy
    (tmp_path / LOCK).unlink()
    FolderLock(tmp_path).release()


def test_a_folder_that_cannot_be_written_is_no_traceback(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(OutputError):
        FolderLock(tmp_path / "file" / "folder")
    (tmp_path / "s" / LOCK).mkdir(parents=True)
    with pytest.raises(OutputError):
        FolderLock(tmp_path / "s")


def _is_refused(folder: Path) -> bool:
    """Whether another process is kept out."""
    lines = "import sys; from pathlib import Path; from earwitness.capture.disk import FolderLock\n"
    lines += "FolderLock(Path(sys.argv[1]))"
    done = subprocess.run([sys.executable, "-c", lines, str(folder)], capture_output=True, text=True, check=False)
    assert done.returncode == 0 or f"process {os.getpid()} on this computer" in done.stderr, done.stderr
    return done.returncode != 0
