"""A session folder is taken whole or refused with all its faults, each with its line."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from earwitness.errors import EarwitnessError, InputError, SessionError
from earwitness.session.load import load_session
from earwitness.session.session import FarFieldTake

TOML = """\
format = 1
date = "2026-11-01"
[loudspeaker]
name = "Invented One"
maker = "Nobody"
type = "stand-mount"
enclosure = "closed"
invented = true
width_m = 0.2
height_m = 0.34
depth_m = 0.26
reference_axis = "on the axis of the dome"
[[loudspeaker.driver]]
name = "woofer"
kind = "cone"
diameter_m = 0.13
[microphone]
sensitivity_fs_per_pa = 0.02
[drive]
voltage_v = 2.83
[stimulus]
kind = "sweep"
start_hz = 10
stop_hz = 22000
duration_s = 4
[[take]]
kind = "far-field"
orbit = "horizontal"
distance_m = 2.0
files = "h_{angle}.wav"
"""


def write(folder: Path, text: str = TOML) -> Path:
    """A folder with three positions of one orbit."""
    (folder / "session.toml").write_text(text, encoding="utf-8")
    for name in ("h_-10.wav", "h_+010.wav", "h_0.wav", "other.wav"):
        (folder / name).write_bytes(name.encode())
    return folder


def test_one_pattern_declares_an_orbit_sorted_by_angle(tmp_path: Path) -> None:
    session = load_session(write(tmp_path))
    takes = session.takes_of(FarFieldTake)
    assert [t.angle_deg for t in takes] == [-10.0, 0.0, 10.0]
    assert [t.file for t in takes] == ["h_-10.wav", "h_0.wav", "h_+010.wav"]
    assert takes[1].sha256 == hashlib.sha256(b"h_0.wav").hexdigest()


def test_all_faults_are_told_at_once_each_with_its_line(tmp_path: Path) -> None:
    text = TOML.replace("voltage_v = 2.83", "voltage = 2.83").replace("width_m = 0.2", "width_m = -1")
    text += '[[take]]\nkind = "noise floor"\nfile = "quiet.wav"\n'
    with pytest.raises(SessionError) as caught:
        load_session(write(tmp_path, text))
    told = {(f.line, f.what) for f in caught.value.faults}
    lines = text.splitlines()
    assert (lines.index("width_m = -1") + 1) in {line for line, _ in told}
    assert any(line == lines.index("voltage = 2.83") + 1 and "'voltage'" in what for line, what in told)
    assert any(line == lines.index('file = "quiet.wav"') + 1 and "not there" in what for line, what in told)
    assert "did you mean 'voltage_v'" in str(caught.value)


def test_broken_toml_names_the_line(tmp_path: Path) -> None:
    with pytest.raises(SessionError) as caught:
        load_session(write(tmp_path, TOML.replace('maker = "Nobody"', "maker = Nobody")))
    assert caught.value.faults[0].line == TOML.splitlines().index('maker = "Nobody"') + 1


def test_a_pattern_without_a_file_is_a_fault(tmp_path: Path) -> None:
    with pytest.raises(SessionError, match="no file matches"):
        load_session(write(tmp_path, TOML.replace("h_{angle}", "v_{angle}")))


def test_a_file_outside_the_folder_is_refused(tmp_path: Path) -> None:
    folder = tmp_path / "inner"
    folder.mkdir()
    (tmp_path / "secret.wav").write_bytes(b"x")
    text = TOML + '[[take]]\nkind = "noise floor"\nfile = "../secret.wav"\n'
    with pytest.raises(SessionError, match="outside"):
        load_session(write(folder, text))


def test_a_folder_without_session_toml_says_so(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="there is no session"):
        load_session(tmp_path)


@settings(deadline=None, derandomize=True, max_examples=50, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=300))
def test_any_bytes_end_in_an_error_of_ours(tmp_path: Path, junk: bytes) -> None:
    (tmp_path / "session.toml").write_bytes(junk)
    with pytest.raises(EarwitnessError):
        load_session(tmp_path)
