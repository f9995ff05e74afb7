"""Microphone correction files. Expected values are worked out by hand from the text of each case."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.errors import EarwitnessError, FormatError
from earwitness.formats.correction_file import parse_correction, read_correction

ROWS = ((20.0, -1.5), (1000.0, 0.25), (20000.0, 3.0))


@pytest.mark.parametrize(
    "text",
    [
        "20\t-1.5\n1000\t0.25\n20000\t3.0\n",
        "20 -1.5\n1000   0.25\n20000 3.0",
        "20,-1.5\r\n1000,0.25\r\n20000,3.0\r\n",
        "20, -1.5\n1000, 0.25\n20000, 3.0\n",
        "20;-1,5\n1000;0,25\n20000;3,0\n",
        "20\t-1,5\n1000\t0,25\n20000\t3,0\n",
        "20,0 -1,5\n1000,0 0,25\n20000,0 3,0\n",
        "# made up\n; made up\n* made up\nFrequency Level\n\n20 -1.5\n1e3 0.25 # here\n2E4 3\n",
        "\ufeff20;-1.5;\n1000;0.25;\n20000;3;\n",
        "20,\t-1.5\n1000,\t0.25\n20000,\t3.0\n",
    ],
)
def test_every_layout_gives_the_same_numbers(text: str) -> None:
    correction = parse_correction(text, name="mic.txt")
    assert tuple(zip(correction.frequency_hz, correction.response_db, strict=True)) == ROWS
    assert correction.phase_deg is None


@pytest.mark.parametrize(
    ("text", "line", "word"),
    [
        ("20 0\n100 0\n100 1\n", 3, "rise"),
        ("20 0\n10 0\n100 1\n", 2, "rise"),
        ("0 0\n10 0\n100 1\n", 1, "rise"),
        ("-5 0\n10 0\n100 1\n", 1, "rise"),
        ("20 0\n100 20.1\n200 1\n", 2, "20.1 dB"),
        ("20 0\n100 -21\n200 1\n", 2, "-21 dB"),
        ("# c\n20 0\n100 0\n", 3, "2 points"),
        ("", 1, "0 points"),
        ("20 0\n100 x\n200 1\n", 2, "not a number"),
        ("20 0\nnan 1\n200 1\n", 2, "not a number"),
        ("20 0\n30 1e999\n200 1\n", 2, "not a number"),
        ("20 0\nwords\n30 1\n200 1\n", 2, "1 column"),
        ("20 0\n30 1 2\n200 1\n", 2, "columns"),
        ("20 0 1 2\n", 1, "4 columns"),
        ("20\n30\n40\n", 1, "1 column"),
        ("20,1,5\n30,1,5\n40,1,5\n", 1, "commas"),
        ("20, 1,5\n30, 1,5\n40, 1,5\n", 1, "commas"),
        ("20;0.5\n1,000;0.5\n2,000;1\n", 2, "a comma in others"),
    ],
)
def test_faults_name_file_line_and_remedy(text: str, line: int, word: str) -> None:
    with pytest.raises(FormatError) as caught:
        parse_correction(text, name="mic.txt")
    assert caught.value.where == f"mic.txt, line {line}"
    assert word in caught.value.what
    assert caught.value.remedy
    assert caught.value.expected


def test_exactly_20_db_and_three_points_are_taken() -> None:
    correction = parse_correction("20 -20\n100 0\n200 20\n", name="mic.txt")
    assert correction.response_db.tolist() == [-20.0, 0.0, 20.0]


def test_interpolates_in_log_frequency_and_marks_the_ends() -> None:
    # The geometric mean of 100 and 10000 Hz lies halfway on a logarithmic axis.
    correction = parse_correction("100 0\n10000 4\n20000 6\n", name="mic.txt")
    found = correction.at(np.array([0.0, 50.0, 100.0, 1000.0, 20000.0, 30000.0]))
    np.testing.assert_allclose(found.response_db, [0, 0, 0, 2, 6, 6], atol=1e-12)
    assert found.corrected.tolist() == [False, False, True, True, True, False]
    with pytest.raises(FormatError):
        correction.at(np.array([-1.0]))


def test_division_takes_the_microphone_out() -> None:
    correction = parse_correction("100 6 90\n1000 6 90\n10000 -6 -90\n", name="mic.txt")
    microphone = np.array([10**0.3 * 1j, 10**-0.3 * -1j], dtype=np.complex128)
    found = correction.at(np.array([100.0, 10000.0])).divide(2 * microphone)
    np.testing.assert_allclose(found, [2.0, 2.0], atol=1e-12)


def test_phase_is_unwrapped_before_it_is_interpolated() -> None:
    correction = parse_correction("100 0 170\n10000 0 -170\n20000 0 -170\n", name="mic.txt")
    phase = correction.at(np.array([1000.0])).phase_rad
    assert phase is not None
    assert math.isclose(phase[0], math.pi, abs_tol=1e-12)


def test_renormalizes_to_the_calibrator() -> None:
    correction = parse_correction("100 1\n10000 3\n20000 5\n", name="mic.txt").renormalized(1000.0)
    np.testing.assert_allclose(correction.response_db, [-1, 1, 3], atol=1e-12)
    with pytest.raises(FormatError, match="says nothing about 50 Hz"):
        correction.renormalized(50.0)


def test_suspect_treble_asks_for_confirmation() -> None:
    # Limit: common practice, no source.
    assert parse_correction("100 0\n10000 6\n20000 6\n", name="m").remarks() == ()
    assert "+6.5 dB" in parse_correction("100 0\n10000 6\n20000 7\n", name="m").remarks()[0]
    assert "-8.0 dB" in parse_correction("100 0\n10000 -8\n20000 -8\n", name="m").remarks()[0]
    assert parse_correction("100 9\n200 9\n300 9\n", name="m").remarks() == ()


def test_reads_other_encodings_and_refuses_binaries(tmp_path: Path) -> None:
    path = tmp_path / "mic.txt"
    text = "# 0° incidence\n20 -1.5\n1000 0.25\n20000 3\n"
    for encoding in ("utf-8", "latin-1", "utf-16"):
        path.write_bytes(text.encode(encoding))
        assert read_correction(path).response_db.tolist() == [-1.5, 0.25, 3.0]
    path.write_bytes(b"20 0\n\0\0\0")
    with pytest.raises(FormatError, match="not text"):
        read_correction(path)
    path.write_bytes(b"# " + b"x" * (4 * 2**20))
    with pytest.raises(FormatError, match="too large"):
        read_correction(path)
    for missing in (tmp_path / "none.txt", tmp_path):
        with pytest.raises(FormatError, match="cannot be opened"):
            read_correction(missing)


@settings(deadline=None, derandomize=True, max_examples=50)
@given(st.one_of(st.binary(max_size=200), st.text("0123456789.,;-+e \t\n#nai²٣", max_size=80).map(str.encode)))
def test_random_bytes_give_numbers_or_our_error(tmp_path_factory: pytest.TempPathFactory, raw: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "random.txt"
    path.write_bytes(raw)
    try:
        correction = read_correction(path)
    except EarwitnessError as error:
        place = error.where
    else:
        place = correction.name
        assert np.all(np.diff(correction.frequency_hz) > 0)
    assert place.startswith(str(path))


def test_all_faults_of_a_file_are_told_at_once() -> None:
    """Every line that cannot be used, by its number; the place is that of the first."""
    text = "20 0\n40 x\n60 0\n50 0\n80 95\n100 0 1\n200 0\n"
    with pytest.raises(FormatError) as caught:
        parse_correction(text, name="mic.txt")
    assert caught.value.where == "mic.txt, line 2"
    assert "'x' is not a number; besides, line 4: the frequency 50 Hz does not rise above 60 Hz" in caught.value.what
    assert "line 5: the response is 95 dB" in caught.value.what
    assert "line 6: the line has 3 columns, the lines before have 2" in caught.value.what
    with pytest.raises(FormatError, match="and 12 lines more"):
        parse_correction("20 0\n" + "30 x\n" * 20, name="mic.txt")
