"""A session folder is taken whole or refused with all its faults, each with its line."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from session_folders import NEAR, TOML, record, write

from earwitness.errors import EarwitnessError, Fault, InputError, SessionError
from earwitness.session.load import load_session
from earwitness.session.session import FarFieldTake, Session


def test_one_pattern_declares_an_orbit_sorted_by_angle(tmp_path: Path) -> None:
    session = load_session(write(tmp_path))
    takes = session.takes_of(FarFieldTake)
    assert [t.angle_deg for t in takes] == [-10.0, 0.0, 10.0]
    assert [t.file for t in takes] == ["h_-10.wav", "h_0.wav", "h_+010.wav"]
    assert takes[1].sha256 == hashlib.sha256((tmp_path / "h_0.wav").read_bytes()).hexdigest()


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


def faults_of(folder: Path, text: str) -> tuple[Fault, ...]:
    """What load_session says about `text`."""
    with pytest.raises(SessionError) as caught:
        load_session(write(folder, text))
    return caught.value.faults


SHAPES = [
    ("[drive]", "[drives]", "[drives]", "drives", "did you mean 'drive'"),
    ("[drive]", "[voltage]", "[voltage]", "voltage", "did you mean [drive]"),
    ("[loudspeaker]", "[speaker]", "[speaker]", "speaker", "did you mean [loudspeaker]"),
    ("[[take]]", "[[takes]]", "[[takes]]", "takes", "write [[take]]"),
    ("[[take]]", "[take]", "[take]", "single table", "double brackets"),
    ("[microphone]", "[[microphone]]", "[[microphone]]", "list of tables", "single brackets"),
    ("[drive]\nvoltage_v = 2.83", "", "", "[drive] is missing", "add [drive]"),
    ("voltage_v = 2.83", 'voltage_v = "2.83 V"', 'voltage_v = "2.83 V"', "not a number", "without quotes"),
    ("voltage_v = 2.83", "voltage_v = true", "voltage_v = true", "not a number", "correct"),
    ("voltage_v = 2.83", "voltage_v = nan", "voltage_v = nan", "voltage_v", "correct"),
    ("width_m = 0.2", "width_m = 200", "width_m = 200", "too large", "200 mm are 0.2"),
    ("width_m = 0.2", "width_mm = 200", "width_mm = 200", "'width_mm' is not known", "'width_m'"),
    ('kind = "cone"', 'kind = "woofer"', 'kind = "woofer"', "not known here", "correct"),
    ('kind = "far-field"', 'kind = "farfield"', "[[take]]", "'farfield' is not known", "correct"),
    ("invented = true", 'invented = "yes"', 'invented = "yes"', "neither true nor false", "true"),
    ('date = "2026-11-01"', 'date = "1.11.2026"', 'date = "1.11.2026"', "cannot be read", "this order"),
    ('date = "2026-11-01"', 'date = "2026-02-30"', 'date = "2026-02-30"', "no day of the calendar", "correct"),
    ('name = "Invented One"', "name = 1", "name = 1", "not text", "quotes"),
    ('name = "Invented One"', 'name = ""', 'name = ""', "empty", "fill it in"),
    ("[environment]", 'sha256 = "x"\n[environment]', 'sha256 = "x"', "'sha256' is not known", "take it out"),
    ("diameter_m = 0.13", "diameter_m = 0.13\nposition_m = [0.0, 1.0]", "position_m = [0.0, 1.0]", "few", "[0.0"),
    ("format = 1", 'format = 1\nmicrophone.name = "M"', "[microphone]", "not TOML", "mend"),
    ('files = "h_{angle}.wav"', 'files = "h_*.wav"', 'files = "h_*.wav"', "{angle} once", "angle_deg"),
    ('files = "h_{angle}.wav"', "angle_deg = 0", "[[take]]", "'file' is missing", "files"),
]


@pytest.mark.parametrize(("old", "new", "at", "what", "remedy"), SHAPES)
def test_each_fault_of_shape_is_told_in_plain_words_at_its_line(
    tmp_path: Path, old: str, new: str, at: str, what: str, remedy: str
) -> None:
    text = TOML.replace(old, new)
    hits = [f for f in faults_of(tmp_path, text) if what in f.what and remedy in f.remedy]
    assert len(hits) == 1
    assert hits[0].line == (text.splitlines().index(at) + 1 if at else None)


def test_a_date_without_quotes_is_taken(tmp_path: Path) -> None:
    assert load_session(write(tmp_path, TOML.replace('"2026-11-01"', "2026-11-01"))).date == "2026-11-01"


def test_names_alike_in_two_folders_take_the_folder_into_their_id(tmp_path: Path) -> None:
    text = TOML.replace("h_{angle}", "h/{angle}") + TOML[TOML.index("[[take]]") :].replace("h_{", "v/{").replace(
        "horizontal", "vertical"
    )
    for seed, name in enumerate(("h/0.wav", "h/10.wav", "v/10.flac", "v/10.wav"), 20):
        record(tmp_path / name, seed)
    assert [t.id for t in load_session(write(tmp_path, text)).takes] == ["0", "h/10", "v/10"]


def test_a_misspelled_file_gets_the_nearest_name(tmp_path: Path) -> None:
    (fault,) = faults_of(tmp_path, TOML + NEAR.replace("near.wav", "Near.wav"))
    assert "'near.wav'" in fault.remedy


def test_a_missing_table_leaves_the_other_faults_visible(tmp_path: Path) -> None:
    text = TOML.replace("[drive]\nvoltage_v = 2.83\n", "").replace("anechoic = true", "") + NEAR.replace(
        "woofer", "tweter"
    )
    told = " ".join(f.what for f in faults_of(tmp_path, text))
    assert "[drive] is missing" in told
    assert "reflections" in told
    assert "'tweter'" in told


LINES = TOML.splitlines()
VALUES = ["0", "-1", "1e400", "nan", "1" * 400, '""', '"x"', "[]", "[[1]]", "{}", "{ kind = 1 }", "true", "2026-01-01"]


@settings(deadline=None, derandomize=True, max_examples=50, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_any_change_of_a_valid_file_ends_in_a_session_or_an_error_of_ours(tmp_path: Path, data: st.DataObject) -> None:
    if not (tmp_path / "h_0.wav").exists():
        write(tmp_path)
    lines = list(LINES)
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(lines) - 1))
        change = data.draw(st.sampled_from(["drop", "double", "value", "key", "text"]))
        if change == "drop" and len(lines) > 1:
            del lines[at]
        elif change == "double":
            lines.insert(data.draw(st.integers(0, len(lines))), lines[at])
        elif change == "value" and "=" in lines[at]:
            lines[at] = lines[at].split("=")[0] + "= " + data.draw(st.sampled_from(VALUES))
        elif change == "key":
            lines[at] = "x" + lines[at]
        else:
            lines[at] = data.draw(st.text(max_size=20))
    (tmp_path / "session.toml").write_bytes("\n".join(lines).encode("utf-8", "surrogatepass"))
    try:
        outcome: object = load_session(tmp_path)
    except EarwitnessError as error:
        outcome = error
    assert isinstance(outcome, Session | EarwitnessError)
    assert str(outcome)


@pytest.mark.parametrize(
    "line",
    ["x = " + "[" * 5000, "x = " + "1" * 5000, 'file = "a\\u0000b"', "x = 0x" + "f" * 400],
)
def test_what_breaks_parsers_is_an_error_of_ours(tmp_path: Path, line: str) -> None:
    with pytest.raises(EarwitnessError):
        load_session(write(tmp_path, TOML + '[[take]]\nkind = "noise floor"\n' + line + "\n"))
