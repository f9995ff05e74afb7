"""What the parts of a session say about each other, and what recordings say of themselves."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from session_folders import NEAR, TOML, record, write

from earwitness.errors import Fault, SessionError
from earwitness.formats.audio import write_audio
from earwitness.session.load import load_session
from earwitness.session.session import FarFieldTake

ORBIT = TOML[TOML.index("[[take]]") :]
ROOM = """[environment.room]
length_m = 5.0
width_m = 4.0
height_m = 2.5
loudspeaker_m = [2.0, 2.0, 1.2]
microphone_m = [4.0, 2.0, 1.2]
"""
CLAIM = '[[loudspeaker.claim]]\nquantity = "sensitivity"\nvalue = 87.0\nunit = "dB"\n'
LEVEL = '[[take]]\nkind = "level"\ndrive_v = 2.0\ndistance_m = 2.0\nfile = "other.wav"\n'


def faults(folder: Path) -> tuple[Fault, ...]:
    """What load_session says about `folder`."""
    with pytest.raises(SessionError) as caught:
        load_session(folder)
    return caught.value.faults


def line(text: str, of: str) -> int:
    """1-based number of the last line that reads `of`."""
    return max(n for n, found in enumerate(text.splitlines(), 1) if found == of)


def test_the_plain_folder_is_sound(tmp_path: Path) -> None:
    assert len(load_session(write(tmp_path, TOML + NEAR)).takes) == 4


OTHER = '[[other_stimulus]]\nname = "long"\nkind = "sweep"\nstart_hz = 20\nstop_hz = 20000\nduration_s = 0.1\n'
CROSS = [
    ("[drive]", OTHER.replace("stop_hz = 20000", "stop_hz = 5") + "[drive]", "stop_hz = 5", "from 20 Hz to 5 Hz", ""),
    ("[drive]", OTHER.replace("stop_hz = 20000", "stop_hz = 3e4") + "[drive]", "stop_hz = 3e4", "end at 24000", ""),
    ("[drive]", OTHER + OTHER + "[drive]", 'name = "long"', "two other stimuli", "its own name"),
    ("distance_m = 2.0", 'distance_m = 2.0\nstimulus = "long"', 'stimulus = "long"', "no other stimulus", "[stimulus]"),
    ("[drive]", OTHER.replace("duration_s = 0.1", "") + "[drive]", "[[other_stimulus]]", "duration_s", ""),
    ("sensitivity_fs_per_pa = 0.02", "", "[microphone]", "how loud full scale is", "calibrator"),
    ("anechoic = true", "", "[environment]", "no word on the room's reflections", "anechoic = true"),
    ("anechoic = true", "anechoic = true\nfirst_reflection_ms = 4", "[environment]", "stand together", "anechoic"),
    ("anechoic = true", ROOM.replace("2.0, 2.0, 1", "6.0, 2.0, 1"), "loudspeaker_m = [6.0, 2.0, 1.2]", "outside", ""),
    ("anechoic = true", ROOM.replace("4.0, 2.0, 1", "3.0, 2.0, 1"), "distance_m = 2.0", "stands 1.00 m", "folder"),
    ("anechoic = true", "first_reflection_ms = 0.0045", "first_reflection_ms = 0.0045", "no time", "not seconds"),
    ("anechoic = true", "anechoic = true\nbaffle_m = [1, 2]", "baffle_m = [1, 2]", "half_space is not true", "flush"),
    ("anechoic = true", "half_space = true\n" + ROOM, "[environment.room]", "the microphone moves", "2.9 ms a meter"),
    ("stop_hz = 22000", "stop_hz = 5", "stop_hz = 5", "from 10 Hz to 5 Hz", "not kHz"),
    ("stop_hz = 22000", "stop_hz = 30000", "stop_hz = 30000", "end at 24000 Hz", "stop_hz"),
    ("lead_in_s = 0.05", "fade_in_s = 10", "duration_s = 0.1", "fades are longer", "10 ms are 0.01"),
    ("lead_in_s = 0.05", "lead_in_s = 0.2", 'files = "h_{angle}.wav"', "too short", "run on"),
    ("[microphone]", CLAIM.replace('"dB"', '"W"') + "[microphone]", 'unit = "W"', "sensitivity in 'W'", "text"),
    ("[microphone]", CLAIM.replace("sensitivity", "frequency range").replace('"dB"', '"Hz"') + "[microphone]",
     "value = 87.0", "both ends", "value_to"),
    ("[drive]", "[reference]\nchannel = 1\n[drive]", "[[take]]", "both microphone and reference", "[reference]"),
    ("[drive]", "[reference]\n[drive]", "[[take]]", "channel 2 is wanted", "all channels"),
    ("distance_m = 2.0", "distance_m = 2.0\nmicrophone_channel = 3", "microphone_channel = 3", "channel 3", "export"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "at", "what", "remedy"), CROSS)
def test_contradictions_are_told_at_their_line(
    tmp_path: Path, old: str, new: str, at: str, what: str, remedy: str
) -> None:
    text = TOML.replace(old, new)
    hits = [f for f in faults(write(tmp_path, text)) if what in f.what]
    assert hits
    assert {f.line for f in hits} <= {line(text, at), line(text, "[[take]]")}
    assert all(remedy in f.remedy for f in hits)
    assert line(text, at) in {f.line for f in hits}


PAIR = """[[take]]
kind = "two-tone"
drive_v = 2.0
distance_m = 1.0
low_hz = 60
high_hz = 7000
length_s = 0.1
file = "near.wav"
"""
BURST = '[[take]]\nkind = "burst"\ndrive_v = 8.0\ndistance_m = 1.0\nfrequency_hz = 100\nfile = "near.wav"\n'
RUN = """[[take]]
kind = "noise run"
drive_v = 8.0
distance_m = 1.0
duration_s = 0.25
length_s = 0.5
file = "near.wav"
"""
TABLE = '[[take]]\nkind = "impedance table"\nfile = "z.txt"\n'
IMPEDANCE_TEXT = "".join(f"{hz} 6.0 10.0\n" for hz in range(20, 2000, 20))
TAKES = [
    (NEAR.replace("woofer", "wofer"), 'driver = "wofer"', "no driver called 'wofer'", "did you mean 'woofer'"),
    (NEAR + 'id = "h_0"\n', 'id = "h_0"', "two takes have the id 'h_0'", "id ="),
    (LEVEL + LEVEL.replace("2.0\nd", "1.0\nd").replace("other", "near"), "drive_v = 1.0", "2 V to 1 V", "note"),
    ('[[take]]\nkind = "impedance"\nresistor_ohm = 10\nchannel_b = 1\nfile = "near.wav"\n', "channel_b = 1",
     "both 1", "two channels"),
    ('[[take]]\nkind = "multitone"\ndrive_v = 1\ndistance_m = 1\nperiod_s = 0.1\nfile = "near.wav"\n'
     'stimulus_file = "near.wav"\n', 'stimulus_file = "near.wav"', "same recording", "played"),
    ('[[take]]\nkind = "multitone"\ndrive_v = 1\ndistance_m = 1\nperiod_s = 5\nfile = "near.wav"\n'
     'stimulus_file = "other.wav"\n', 'file = "near.wav"', "too short", "record it again"),
    (NEAR.replace("near.wav", "h_0.wav") + 'id = "n"\n', 'file = "h_0.wav"', "same content", "right recording"),
    (PAIR.replace("7000", "100"), "high_hz = 100", "lie too close", "not kHz"),
    (PAIR.replace("7000", "7003"), "length_s = 0.1", "700.300 periods of 7003 Hz", "whole hertz"),
    (PAIR.replace("7000", "22000"), "high_hz = 22000", "highest side line lies at 22120 Hz", "higher rate"),
    (PAIR.replace("0.1", "1"), 'file = "near.wav"', "too short", "record it again"),
    (BURST + BURST.replace("8.0", "5.0").replace("near", "other"), "drive_v = 5.0", "8 V to 5 V", "rising order"),
    (BURST.replace("100", "15000"), "frequency_hz = 15000", "second harmonic lies at 30000 Hz", "in Hz"),
    (RUN, "duration_s = 0.25", "no two stretches of 0.5 s", "longer"),
]  # fmt: skip


@pytest.mark.parametrize("sign", ["\u03a9", "\u2126", "\u03c9", "ohm", "Ohms"])
def test_ohms_may_be_written_as_their_sign(tmp_path: Path, sign: str) -> None:
    """Greek capital omega U+03A9 and ohm sign U+2126 (Unicode), as keyboards and data sheets give them."""
    claim = CLAIM.replace("sensitivity", "rated impedance").replace('"dB"', f'"{sign}"')
    session = load_session(write(tmp_path, TOML.replace("[microphone]", claim + "[microphone]")))
    assert session.loudspeaker.claims[0].unit == sign


def test_a_remark_in_the_unit_of_a_claim_is_sent_to_its_text(tmp_path: Path) -> None:
    """The claim would not be judged later, as nobody reads remarks in units."""
    claim = CLAIM.replace('"dB"', '"dB (2.83 V, 1 m)"')
    (fault,) = faults(write(tmp_path, TOML.replace("[microphone]", claim + "[microphone]")))
    assert fault.expected == '"dB"'
    assert 'write "dB"; remarks' in fault.remedy


def test_a_date_in_another_order_is_one_fault(tmp_path: Path) -> None:
    (fault,) = faults(write(tmp_path, TOML.replace("2026-11-01", "01.11.2026")))
    assert "year-month-day" in fault.expected
    (fault,) = faults(write(tmp_path, TOML.replace("2026-11-01", "2026-02-30")))
    assert "no day of the calendar" in fault.what


def test_without_sound_at_a_distance_nothing_is_taken_in(tmp_path: Path) -> None:
    """Everything is held against it, so that the folder is refused before its recordings are copied."""
    impedance = '[[take]]\nkind = "impedance table"\nfile = "z.txt"\n'
    (tmp_path / "z.txt").write_text(IMPEDANCE_TEXT, encoding="utf-8")
    (fault,) = faults(write(tmp_path, TOML[: TOML.index("[[take]]")] + NEAR + impedance))
    assert 'only "impedance table", "near-field"' in fault.what
    assert "far-field" in fault.expected


@pytest.mark.parametrize(("added", "at", "what", "remedy"), TAKES)
def test_contradictions_of_a_take_are_told_at_its_line(
    tmp_path: Path, added: str, at: str, what: str, remedy: str
) -> None:
    text = TOML + added
    (fault,) = faults(write(tmp_path, text))
    assert what in fault.what
    assert remedy in fault.remedy
    assert fault.line == line(text, at)


def test_bursts_of_two_frequencies_rise_each_for_itself(tmp_path: Path) -> None:
    other = BURST.replace("100", "200").replace("8.0", "5.0").replace("near", "other")
    assert len(load_session(write(tmp_path, TOML + BURST + other)).takes) == 5


def test_an_impedance_is_given_once(tmp_path: Path) -> None:
    for name in ("y", "z"):
        (tmp_path / f"{name}.txt").write_text(IMPEDANCE_TEXT, encoding="utf-8")
    assert len(load_session(write(tmp_path, TOML + TABLE)).takes) == 4
    text = TOML + TABLE.replace("z.txt", "y.txt") + TABLE
    hits = [fault for fault in faults(write(tmp_path, text)) if "given twice" in fault.what]
    assert [fault.line for fault in hits] == [line(text, 'kind = "impedance table"')]
    assert "take one of them out" in hits[0].remedy


def test_rubbish_in_an_impedance_table_is_told_with_its_line(tmp_path: Path) -> None:
    (tmp_path / "z.txt").write_text(IMPEDANCE_TEXT.replace("100 6.0 10.0", "100 -6.0 10.0"), encoding="utf-8")
    (fault,) = faults(write(tmp_path, TOML + TABLE))
    assert (fault.file, fault.line) == ("z.txt", 5)


def test_a_level_series_may_step_down_where_a_note_says_why(tmp_path: Path) -> None:
    down = LEVEL.replace("2.0\nd", "1.0\nd").replace("other", "near") + 'note = "repeat after the loudest step"\n'
    assert len(load_session(write(tmp_path, TOML + LEVEL + down)).takes) == 5


def test_an_angle_measured_twice_names_both_recordings(tmp_path: Path) -> None:
    write(tmp_path)
    record(tmp_path / "h_350.wav", 9)
    (fault,) = faults(tmp_path)
    assert "'h_350.wav'" in fault.what
    assert "'h_-10.wav'" in fault.what


def test_a_copied_recording_is_found_by_its_content(tmp_path: Path) -> None:
    write(tmp_path)
    (tmp_path / "h_20.wav").write_bytes((tmp_path / "h_0.wav").read_bytes())
    (fault,) = faults(tmp_path)
    assert "'h_20.wav' has the same content as 'h_0.wav'" in fault.what


def test_both_orbits_and_a_level_series_may_share_the_recording_on_the_axis(tmp_path: Path) -> None:
    vertical = (
        ORBIT.replace("horizontal", "vertical").replace('files = "h_{angle}.wav"', 'angle_deg = 0\nfile = "h_0.wav"')
        + 'id = "v_0"\n'
    )
    level = LEVEL.replace("other", "h_0") + 'id = "level 1"\n'
    takes = load_session(write(tmp_path, TOML + vertical + level)).takes
    assert [t.id for t in takes if isinstance(t, FarFieldTake) and t.file == "h_0.wav"] == ["h_0", "v_0"]


def test_a_take_at_another_rate_is_named(tmp_path: Path) -> None:
    write(tmp_path)
    record(tmp_path / "h_0.wav", 7, rate_hz=96_000)
    (fault,) = faults(tmp_path)
    assert (fault.file, "96000 Hz" in fault.what, "48000 Hz" in fault.what) == ("h_0.wav", True, True)


@pytest.mark.parametrize("suffix", [".wav", ".flac"])
def test_a_truncated_recording_is_named(tmp_path: Path, suffix: str) -> None:
    write(tmp_path, TOML.replace(".wav", suffix))
    path = record(tmp_path / f"h_0{suffix}", 5)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    assert [(f.file, "truncated" in f.what) for f in faults(tmp_path) if f.file != "session.toml"] == [
        (path.name, True)
    ]


def test_empty_foreign_and_slow_recordings_are_told_together(tmp_path: Path) -> None:
    write(tmp_path)
    (tmp_path / "h_0.wav").write_bytes(b"")
    (tmp_path / "h_-10.wav").write_text("these are no samples at all")
    soundfile.write(tmp_path / "h_+010.wav", [[0.1]] * 3000, 22_050)
    told = {f.file: f.what for f in faults(tmp_path)}
    assert "empty" in told["h_0.wav"]
    assert "neither WAV nor FLAC" in told["h_-10.wav"]
    assert "22050 Hz" in told["h_+010.wav"]


def test_a_fault_of_the_correction_file_has_its_line(tmp_path: Path) -> None:
    text = TOML.replace("[drive]", 'correction_file = "mic.txt"\n[drive]')
    write(tmp_path, text)
    (tmp_path / "mic.txt").write_text("# response\n20 0.1\n100 abc\n1000 0\n10000 0\n")
    (fault,) = faults(tmp_path)
    assert (fault.file, fault.line) == ("mic.txt", 3)
    (tmp_path / "mic.txt").write_text("# response\n20 0.1\n100 0\n1000 0\n10000 0\n")
    assert load_session(tmp_path).microphone.correction_file == "mic.txt"


def test_the_calibrator_is_looked_at(tmp_path: Path) -> None:
    table = '[microphone.calibrator]\nfile = "near.wav"\nchannel = 2\nfrequency_hz = 30000\n'
    told = " ".join(f.what for f in faults(write(tmp_path, TOML.replace("[drive]", table + "[drive]"))))
    assert "channel 2 is wanted" in told
    assert "0.30 s long" in told
    assert "30000 Hz cannot be" in told


def test_a_recording_must_outlast_the_file_that_was_played(tmp_path: Path) -> None:
    start, end = TOML.index("[stimulus]"), TOML.index("[environment]")
    text = TOML[:start] + '[stimulus]\nkind = "file"\nfile = "played.wav"\nchannel = 2\n' + TOML[end:]
    write(tmp_path, text)
    record(tmp_path / "played.wav", 30, length_s=0.5)
    told = faults(tmp_path)
    assert "channel 2 is wanted" in told[0].what
    assert "too short for the lead-in and the file that was played" in told[1].what
    record(tmp_path / "played.wav", 30, length_s=0.2, channels=2)
    assert load_session(tmp_path).stimulus.kind == "file"


def test_a_fault_shared_by_an_orbit_is_told_once(tmp_path: Path) -> None:
    write(tmp_path, TOML.replace("distance_m = 2.0", 'distance_m = "far"'))
    (fault,) = faults(tmp_path)
    assert "'far'" in fault.what
    assert "h_0, h_+010" in fault.what


def test_recordings_without_sound_are_no_fault_of_the_folder(tmp_path: Path) -> None:
    write(tmp_path)
    # The reduction judges samples, the door does not decode them.
    write_audio(tmp_path / "h_0.wav", np.zeros((1, 14_400)), 48_000)
    assert len(load_session(tmp_path).takes) == 3


def test_nothing_is_measured_behind_a_wall(tmp_path: Path) -> None:
    """Angles beyond 90 degrees lie behind the wall that the session states; the first of them is told."""
    text = TOML.replace("anechoic = true", "anechoic = true\nhalf_space = true")
    folder = write(tmp_path, text.replace('files = "h_{angle}.wav"', 'file = "h_0.wav"\nangle_deg = 100'))
    (told,) = [f for f in faults(folder) if "behind the wall" in f.what]
    assert told.expected == "angles from -90 to 90 degrees"
    assert load_session(
        write(tmp_path, text.replace("half_space", "baffle_m = [1.4, 1.7]\nhalf_space"))
    ).environment.half_space
    scan = text[: text.index("[[take]]")] + '[[take]]\nkind = "scan"\nfile = "h_0.wav"\nposition_m = [0.3, 0.0, 0.1]\n'
    assert any("a scan of a loudspeaker in a wall" in f.what for f in faults(write(tmp_path, scan)))
