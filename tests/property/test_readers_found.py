"""The smallest of each kind of input that the fuzzing found to be read wrongly, slowly or with a traceback."""

from __future__ import annotations

import io
import time
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import fuzz_seeds
import fuzz_sofa
import netCDF4
import numpy as np
import pytest
import soundfile
from fuzz_readers import WORDS

from earwitness.errors import EarwitnessError, FormatError, InputError, SessionError
from earwitness.formats import netcdf_probe
from earwitness.formats.audio import read_audio
from earwitness.formats.correction_file import read_correction
from earwitness.formats.directivity_sofa import read_directivity_sofa
from earwitness.formats.impedance_table import read_impedance_table
from earwitness.formats.netcdf_probe import probe
from earwitness.formats.positions_table import read_positions
from earwitness.formats.response_table import read_response_table
from earwitness.formats.scan_pressures import read_scan_pressures
from earwitness.formats.sofa import MAX_VALUES
from earwitness.session.amplifier_sheet import read_amplifier_sheet
from earwitness.session.load import load_session
from earwitness.session.notes import load_sheet
from earwitness.session.room_plan import read_room_plan

HUGE = "0x" + "f" * 6000
PLACES = "x m,y m,z m\n" + "".join(f"{n / 100},1,1\n" for n in range(80))
PRESSURES = fuzz_seeds.pressures_table()


def refused(tmp_path: Path, read: Callable[[Path], Any], text: str, *, most_s: float = 4.0) -> str:
    """The words that refuse `text`; it fails where that takes long."""
    path = tmp_path / "input.csv"
    path.write_text(text, encoding="utf-8")
    at = time.process_time()
    with pytest.raises(EarwitnessError) as found:
        read(path)
    assert time.process_time() - at < most_s
    return str(found.value)


@pytest.mark.parametrize(
    ("read", "seed"),
    [
        (read_amplifier_sheet, fuzz_seeds.AMPLIFIER.replace("= 4.0", f"= {HUGE}", 1)),
        (read_room_plan, fuzz_seeds.ROOM.replace("row = 1", f"row = {HUGE}")),
        (lambda p: load_sheet(p, vocabulary=WORDS), fuzz_seeds.SHEET.replace("pieces = 2", f"pieces = {HUGE}")),
        (lambda p: load_sheet(p, vocabulary=WORDS), fuzz_seeds.SHEET.replace("[50, 120]", f"[{HUGE}, 120]")),
    ],
)
def test_a_number_that_python_does_not_print_is_refused(tmp_path: Path, read: Callable[[Path], Any], seed: str) -> None:
    assert "a huge number" in refused(tmp_path, read, seed)


@pytest.mark.parametrize("key", ["id", "file", "drive_v", "positions"])
def test_a_take_with_a_huge_number_or_a_null_character_is_refused(tmp_path: Path, key: str) -> None:
    folder = fuzz_seeds.session_folder(tmp_path / "s")
    for value in (HUGE, '"\\u0000"'):
        for kind in ("level", "scan"):
            take = f'[[take]]\nkind = "{kind}"\nfiles = "p_\\u0000{{point}}.wav"\n{key} = {value}\n'
            (folder / "session.toml").write_text(fuzz_seeds.SESSION + take, encoding="utf-8")
            with pytest.raises(SessionError):
                load_session(folder)


@pytest.mark.parametrize(
    "text",
    [
        "".join(f"a{n}" + ".a" * 990 + " = 1\n" for n in range(125)),
        "a" + ".a" * 100_000 + " = 1\n",
        "[[seat]]\n" * 20_000,
        "seat = [" + "1," * 120_000 + "]",
        "a = " + "[" * 100_000,
        "# '''\na" + ".a" * 3000 + " = 1\n# '''\n",
    ],
)
def test_text_that_would_fill_the_memory_is_refused_at_once(tmp_path: Path, text: str) -> None:
    refused(tmp_path, read_room_plan, text)
    (tmp_path / "session.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError):
        load_session(tmp_path)


def test_points_and_commas_in_words_are_no_keys(tmp_path: Path) -> None:
    path = tmp_path / "listening.toml"
    path.write_text(fuzz_seeds.SHEET.replace("Lively.", "Lively. " + "... " * 500), encoding="utf-8")
    assert load_sheet(path, vocabulary=WORDS).text.startswith("Lively")


@pytest.mark.parametrize("read", [read_correction, read_impedance_table])
def test_a_line_of_a_million_blanks_takes_no_square_of_them(tmp_path: Path, read: Callable[[Path], Any]) -> None:
    refused(tmp_path, read, "20;1;1\n1000" + " " * 1_000_000 + "x;2;1\n")
    refused(tmp_path, read, "20,1,1\n1000" + " " * 1_000_000 + "x,2,1\n")


def test_an_impedance_of_no_ohms_is_refused(tmp_path: Path) -> None:
    assert "0.001" in refused(tmp_path, read_impedance_table, fuzz_seeds.IMPEDANCES[0].replace("6.00", "5e-324", 1))


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("1e308,1,1", "can be a coordinate"),
        ('"0.5,1,1\n0.6",1,1', "can be a coordinate"),
        ("1,1," + "9" * 200_000, "can be a coordinate"),
    ],
)
def test_a_row_that_is_none(tmp_path: Path, row: str, words: str) -> None:
    assert words in refused(tmp_path, read_positions, f"{PLACES}{row}\n")


def test_thousands_of_points_in_one_place_are_told_without_their_pairs(tmp_path: Path) -> None:
    rows = "1,1,1\n" * 60_000 + "".join(f"{n / 1000},2,1\n" for n in range(70_000))
    assert "59999 points stand twice" in refused(tmp_path, read_positions, "x m,y m,z m\n" + rows)


def test_rows_of_three_numbers_are_not_read_as_rows_of_six(tmp_path: Path) -> None:
    header, *rows = PRESSURES.splitlines()
    halves = [half for row in rows for half in (row[: _third_comma(row)], row[_third_comma(row) + 1 :])]
    assert "six numbers" in refused(tmp_path, read_scan_pressures, "\n".join([header, *halves]))


def _third_comma(row: str) -> int:
    return [at for at, sign in enumerate(row) if sign == ","][2]


def test_pressures_that_are_no_numbers_warn_of_nothing(tmp_path: Path) -> None:
    assert "beyond any quantity" in refused(tmp_path, read_scan_pressures, PRESSURES.replace("1.0000,", "1e308,", 1))
    (tmp_path / "one.csv").write_text(PRESSURES.replace("\n", ",\n", 1).replace(",\n", "\n", 1), encoding="utf-8")
    assert len(read_scan_pressures(tmp_path / "one.csv").hz) == 3


def sofa(tmp_path: Path, **facts: Any) -> Path:
    path = tmp_path / "one.sofa"
    fuzz_sofa.plain(path, **facts)
    return path


def test_values_that_were_never_written_are_not_valid(tmp_path: Path) -> None:
    """The library gives its fill value of 9.97e36 for them, which was taken for a pressure."""

    def half_written(file: netCDF4.Dataset) -> None:
        file.createVariable("Data.Real", "f8", ("M", "R", "N"))[0, 0] = np.ones(5)

    found = read_directivity_sofa(sofa(tmp_path, changes={"Data.Real": half_written}))
    assert np.isfinite(found.pressure[0]).all()
    assert not np.isfinite(found.pressure[1:]).any()
    assert np.abs(found.pressure[0]).max() < 1e3


@pytest.mark.parametrize(
    ("kind", "changes"),
    [
        ("TF", {"ReceiverPosition": np.full((6, 3, 1), 1e308)}),
        ("TF", {"SourceView": np.zeros((1, 3))}),
        ("FIR", {"Data.Delay": np.full((1, 1), 1e308)}),
        ("FIR", {"Data.SamplingRate": np.array([5e-324])}),
    ],
)
def test_absurd_numbers_are_refused_without_a_warning(tmp_path: Path, kind: str, changes: dict[str, Any]) -> None:
    with pytest.raises(FormatError):
        read_directivity_sofa(sofa(tmp_path, kind=kind, changes=changes))


def test_a_header_may_not_promise_more_than_can_be_held(tmp_path: Path) -> None:
    large, fits = fuzz_sofa.bombs(tmp_path)
    (tmp_path / "large.sofa").write_bytes(large)
    with pytest.raises(FormatError, match="the header promises") as found:
        read_directivity_sofa(tmp_path / "large.sofa")
    assert str(MAX_VALUES) in found.value.expected
    assert len(fits) < 2**20


def test_a_file_that_never_ends_or_ends_the_reader_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Damaged HDF5 does both; here the child is told to, so that the test does not hang on the library's mending."""
    netcdf_probe._end()
    child = netcdf_probe._CHILD
    try:
        for broken, words in (
            ("while True: pass", "takes longer than 1 s"),
            ("import os; os.abort()", "ends the program"),
        ):
            monkeypatch.setattr(
                netcdf_probe, "_CHILD", child.replace("    # By its content", f"    {broken}\n    # By", 1)
            )
            with pytest.raises(ValueError, match=words):
                probe(sofa(tmp_path), most_unpacked_bytes=2**20, limit_s=1.0)
            assert netcdf_probe._RUNNING == []
    finally:
        monkeypatch.undo()
        netcdf_probe._end()
    facts = probe(sofa(tmp_path), most_unpacked_bytes=2**20)
    assert facts.attributes["DataType"] == "TF"
    assert "Data.Real" in facts.names
    with netCDF4.Dataset(sofa(tmp_path)) as file:
        assert facts.values == sum(one.size for one in file.variables.values())
        assert facts.unpacked_bytes == sum(one.size * one.dtype.itemsize for one in file.variables.values())


def test_a_long_recording_is_the_same_in_pieces(tmp_path: Path) -> None:
    """soundfile reads it at once as the independent answer; it is longer than one piece."""
    noise = np.random.default_rng(5).uniform(-1, 1, (2**18 + 1000, 2))
    soundfile.write(tmp_path / "long.flac", noise, 48_000, subtype="PCM_24")
    found = read_audio(tmp_path / "long.flac")
    assert np.array_equal(found.samples.T, soundfile.read(tmp_path / "long.flac", dtype="float64")[0])
    noise[2**18 + 7, 1] = np.nan
    stream = io.BytesIO()
    soundfile.write(stream, noise, 48_000, format="WAV", subtype="DOUBLE")
    (tmp_path / "odd.wav").write_bytes(stream.getvalue())
    with pytest.raises(InputError, match="1 values") as told:
        read_audio(tmp_path / "odd.wav")
    assert f"channel 2, sample {2**18 + 7}" in told.value.where


def test_a_damaged_file_that_keeps_hdf5_turning_for_ever_is_refused() -> None:
    """One byte sequence of several that the fuzzing found; opened in this process it would never come back."""
    with pytest.raises(ValueError, match="takes longer than"):
        probe(Path(__file__).with_name("data") / "endless.sofa", most_unpacked_bytes=2**20, limit_s=2.0)


def test_a_long_table_without_values_is_refused(tmp_path: Path) -> None:
    said = refused(tmp_path, read_response_table, "Hz,angle deg,remark\n100,0,1\n200,0,2\n400,0,3\n800,0,4\n")
    assert "no column is known to hold" in said


def test_infinite_values_at_one_frequency_twice_are_no_warning(tmp_path: Path) -> None:
    path = tmp_path / "input.csv"
    path.write_text("Hz\tdB SPL\n100\t80\n200\t1e999\n200\t1e999\n400\t82\n800\t81\n", encoding="utf-8")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        table = read_response_table(path)
    assert table is not None
