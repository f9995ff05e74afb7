"""Text tables of responses: forty files written from a closed form with what each must read as, and sixty more.

Source of the forty: tests/formats/data/tables, computed from a formula and read by a second, independent reader when
they were made; the sixty below are written here from the levels of an ideal high-pass, so what must come back is known.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from earwitness.errors import FormatError
from earwitness.formats.response_table import ResponseTable, parse_response_table, read_response_table
from earwitness.formats.table import decoded, read_table
from earwitness.formats.table_columns import title_of

FOLDER = Path(__file__).parent / "data" / "tables"
EXPECTED: dict[str, dict[str, Any]] = json.loads((FOLDER.parent / "tables-expected.json").read_text())["tables"]
UNIT = {"dB re 20 uPa": "dB SPL"}
HZ = 20.0 * 2.0 ** (np.arange(0, 60) / 6)


def high_pass(hz: np.ndarray) -> np.ndarray:
    """Pa/V of a second-order Butterworth high-pass at 50 Hz, 0.1 Pa/V above it (handbook formula)."""
    s = 1j * hz / 50.0
    return 0.1 * s**2 / (s**2 + math.sqrt(2.0) * s + 1.0)


LEVEL = 20 * np.log10(np.abs(high_pass(HZ)) * 2.83 / 20e-6)
PHASE = np.degrees(np.angle(high_pass(HZ)))


def check_curve(found: ResponseTable, expected: dict[str, Any]) -> None:
    curve = expected["curve"]
    tolerance = [*expected.get("tolerance", [1.5e-4] * 3), 0.01][:3]
    assert found.hz.size == curve["points"]
    for place, want in ((0, curve["first"]), (-1, curve["last"])):
        got = [found.hz[place], found.values[0, place]]
        if len(want) == 3:
            assert found.phase is not None
            got.append(float(np.degrees(found.phase[0].phase_rad[place])))
        for value, wanted, limit in zip(got, want, tolerance, strict=False):
            assert value == pytest.approx(wanted, abs=max(limit, 1e-9))


def check_directions(found: ResponseTable, expected: dict[str, Any]) -> None:
    assert found.angles_deg.tolist() == expected["angles"]
    assert found.plane == expected.get("orbit")
    assert found.hz.size == expected["points"]
    for row, angle in enumerate(expected["angles"]):
        ends = expected["first_last"][str(angle)]
        assert [found.values[row, 0], found.values[row, -1]] == pytest.approx(ends, abs=1.5e-4)


@pytest.mark.parametrize("name", sorted(EXPECTED))
def test_each_of_the_forty_is_read_asked_about_or_refused(name: str) -> None:
    expected = EXPECTED[name]
    if expected["do"] == "refuse":
        with pytest.raises(FormatError) as refusal:
            read_response_table(FOLDER / name)
        assert refusal.value.where.endswith(f"line {expected['line']}")
        assert refusal.value.remedy
        return
    found = read_response_table(FOLDER / name)
    assert bool(found.questions) == (expected["do"] == "ask")
    if expected["do"] == "ask":
        assert found.questions[0].line == expected["line"]
    else:
        assert found.unit == UNIT.get(expected["unit"], expected["unit"])
    assert found.missing_lines == tuple(expected.get("missing_lines", ()))
    assert found.decimal == expected.get("decimal", found.decimal)
    if "curve" in expected:
        check_curve(found, expected)
    if "angles" in expected:
        check_directions(found, expected)
    if expected.get("delay_ms"):
        assert found.phase is not None
        assert found.phase[0].delay_s == pytest.approx(expected["delay_ms"] / 1e3, abs=1e-5)


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("27-wrapped-coarse-with-delay.txt", "too far apart to follow the phase"),
        ("29-descending.txt", "frequencies fall: sorted"),
        ("30-doubled-equal.txt", "line 12 repeats line 11"),
        ("32-missing-values.txt", "3 points missing"),
        ("33-zero-hertz-row.txt", "0 Hz left out"),
    ],
)
def test_what_the_reader_did_is_told(name: str, said: str) -> None:
    assert any(said in line for line in read_response_table(FOLDER / name).told)


@pytest.mark.parametrize(
    ("name", "answers"),
    [
        ("12-thousands-separator.csv", {"thousands": "comma marks thousands"}),
        ("20-db-without-reference.txt", {"unit": "dB relative"}),
        ("23-no-header-two-columns.txt", {"columns": "Hz, dB SPL"}),
        ("24-no-header-phase-or-distortion.txt", {"columns": "Hz, dB SPL, other"}),
        ("37-wide-0-360-one-unit-line.csv", {"plane": "horizontal"}),
        ("38-wide-transposed.txt", {"plane": "vertical", "unit": "dB SPL"}),
        ("40-two-blocks.txt", {"plane": "horizontal"}),
    ],
)
def test_an_answer_settles_each_question(name: str, answers: dict[str, str]) -> None:
    asked = read_response_table(FOLDER / name)
    assert {question.key for question in asked.questions} == set(answers)
    found = read_response_table(FOLDER / name, answers=answers)
    assert found.questions == ()
    assert found.plane == answers.get("plane")


def test_an_answer_about_the_unit_moves_the_values_to_pascals() -> None:
    """20 lg(1 Pa / 20 uPa) = 93.9794 dB (definition of sound pressure level)."""
    text = "Hz\tdB\n100\t-10\n200\t-9\n400\t-8\n"
    bare = parse_response_table(text, name="x")
    answered = parse_response_table(text, name="x", answers={"unit": "dB re 1 Pa"})
    assert answered.values - bare.values == pytest.approx(np.full((1, 3), 93.9794), abs=1e-4)


# Sixty more: every way to part columns with every decimal mark that can be told, titles of several languages, units,
# encodings and line ends. Each must give the same levels.
SEPARATORS = {"tab": "\t", "semicolon": ";", "comma": ",", "blanks": "   ", "padded semicolon": " ; "}
TITLES = {
    "brackets": ("Frequency [Hz]", "SPL [dB SPL]", "Phase [deg]"),
    "slash": ("f/Hz", "L_p/dB re 20 µPa", "phi/°"),
    "german": ("Frequenz in Hz", "Pegel in dB SPL", "Phase in Grad"),
    "bare": ("Hz", "dB SPL", "deg"),
    "parentheses": ("freq (Hz)", "level (dB SPL)", "phase (degrees)"),
}
FORMS = [
    (parted, decimal, titled)
    for parted in SEPARATORS
    for decimal in (".", ",")
    for titled in TITLES
    if not (parted == "comma" and decimal == ",") and not (parted == "blanks" and titled == "german")
]


def written(parted: str, decimal: str, titled: str, *, end: str = "\n", mark: str = "") -> str:
    columns = np.column_stack([HZ, LEVEL, PHASE])
    rows = [SEPARATORS[parted].join(f"{value:.5f}".replace(".", decimal) for value in row) for row in columns]
    return end.join([mark + SEPARATORS[parted].join(TITLES[titled]), *rows, ""])


@pytest.mark.parametrize(("parted", "decimal", "titled"), FORMS)
def test_every_way_to_write_one_curve_gives_that_curve(parted: str, decimal: str, titled: str) -> None:
    found = parse_response_table(written(parted, decimal, titled), name="x")
    assert found.questions == ()
    assert found.unit == "dB SPL"
    assert found.decimal == decimal
    assert found.hz == pytest.approx(HZ, abs=1e-5)
    assert found.values[0] == pytest.approx(LEVEL, abs=1e-5)
    assert found.phase is not None
    assert np.degrees(found.phase[0].phase_rad) == pytest.approx(PHASE, abs=1e-5)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("mark", ["", "# ", "* "])
def test_encodings_line_ends_and_titles_in_remarks(encoding: str, end: str, mark: str, tmp_path: Path) -> None:
    path = tmp_path / "curve.txt"
    path.write_bytes(written("tab", ".", "bare", end=end, mark=mark).encode(encoding))
    found = read_response_table(path)
    assert found.questions == ()
    assert found.values[0] == pytest.approx(LEVEL, abs=1e-5)


@pytest.mark.parametrize(
    ("titles", "values", "unit"),
    [
        ("Hz;Pa/V;rad", (np.abs(high_pass(HZ)), np.radians(PHASE)), "Pa/V"),
        ("Hz;mPa/V;deg", (1e3 * np.abs(high_pass(HZ)), PHASE), "Pa/V"),
        ("Hz;Re Pa/V;Im Pa/V", (high_pass(HZ).real, high_pass(HZ).imag), "Pa/V"),
        ("kHz;dB re 1 Pa/V;deg", (20 * np.log10(np.abs(high_pass(HZ))), PHASE), "dB re 1 Pa/V"),
        ("rad/s;dB SPL;deg", (LEVEL, PHASE), "dB SPL"),
    ],
)
def test_units_come_to_the_same_levels(titles: str, values: tuple[np.ndarray, np.ndarray], unit: str) -> None:
    factor = 1e-3 if titles.startswith("kHz") else 2 * math.pi if titles.startswith("rad") else 1.0
    rows = [f"{f * factor:.8g};{a:.9g};{b:.9g}" for f, a, b in zip(HZ, *values, strict=True)]
    found = parse_response_table("\n".join([titles, *rows]), name="x")
    assert found.questions == ()
    assert (found.unit, found.absolute) == (unit, True)
    assert found.hz == pytest.approx(HZ, rel=1e-6)
    assert found.values[0] == pytest.approx(LEVEL, abs=1e-5)
    assert found.phase is not None
    assert np.degrees(found.phase[0].phase_rad) == pytest.approx(PHASE, abs=1e-4)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("Hz\tdB SPL\n100\t80\n200\t81\n300\n400\t82\n500\t83\n", 4),
        ("Hz;dB SPL\n100;80,5\n200;81.5\n400;82.5\n", 3),
        ("Hz\tdB SPL\n100\t80\n-200\t81\n400\t82\n", 3),
        ("Hz\tdB SPL\n100\t80\n\t81\n400\t82\n500\t83\n", 3),
        ("dB SPL\tdeg\n80\t1\n81\t2\n82\t3\n", 1),
        ("Hz,H 0 dB SPL,V 30 dB SPL\n100,80,81\n200,81,82\n400,82,83\n", 1),
    ],
)
def test_a_faulty_table_names_its_line(text: str, line: int) -> None:
    with pytest.raises(FormatError) as refusal:
        parse_response_table(text, name="x")
    assert refusal.value.where == f"x, line {line}"
    assert refusal.value.remedy


def test_a_delay_is_told_where_points_lie_close_enough_and_only_there() -> None:
    """Sampling in frequency: a delay tau can be followed while tau < 1 / (2 df); 5 ms on steps of 10 Hz and 150 Hz."""
    for step, told in ((10.0, True), (150.0, False)):
        hz = np.arange(1, 120) * step
        phase = np.degrees(np.angle(np.exp(-2j * np.pi * hz * 5e-3)))
        rows = "\n".join(f"{f:g}\t80\t{p:.4f}" for f, p in zip(hz, phase, strict=True))
        found = parse_response_table("Hz\tdB SPL\tdeg\n" + rows, name="x")
        assert found.phase is not None
        assert (found.phase[0].delay_s is not None) == told
        if told:
            assert found.phase[0].delay_s == pytest.approx(5e-3, rel=1e-4)


def test_what_is_no_text_is_refused_and_pictures_are_no_tables(tmp_path: Path) -> None:
    with pytest.raises(FormatError, match="not text"):
        decoded(b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", name="x")
    with pytest.raises(FormatError, match="cannot be opened"):
        read_table(tmp_path / "none.txt")
    for text in ("", "\n\n", "# remark only\n", "words without numbers\nin two lines\n"):
        with pytest.raises(FormatError):
            parse_response_table(text, name="x")


@pytest.mark.parametrize(
    ("text", "role", "unit", "angle", "plane"),
    [
        ("Frequenz in Hz", "frequency", "Hz", None, None),
        ("dB", "level", "", None, None),
        ("dB re 1 Pa/V", "level", "dB re 1 Pa/V", None, None),
        ("H -60 dB SPL", "level", "dB SPL", -60.0, "horizontal"),
        ("SPL 30 deg", "level", "dB SPL", 30.0, None),
        ("|Z| (Ω)", "impedance", "ohm", None, None),
        ("THD %", "distortion", "%", None, None),
        ("up 20 deg", "other", "", 20.0, None),
        ("down 20 deg", "other", "", -20.0, None),
        ("temperature", "other", "", None, None),
    ],
)
def test_titles_say_what_they_say_and_no_more(
    text: str, role: str, unit: str, angle: float | None, plane: str | None
) -> None:
    found = title_of(text)
    assert (found.role, found.unit, found.angle_deg, found.plane) == (role, unit, angle, plane)
