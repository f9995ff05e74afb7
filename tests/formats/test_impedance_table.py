"""Impedance tables. Expected values are worked out by hand from the text of each case."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.errors import EarwitnessError, FormatError, InputError
from earwitness.formats.impedance_table import parse_impedance_table, read_impedance_table

HZ = (10.0, 20.0, 50.0, 100.0, 200.0, 1000.0, 5000.0, 20000.0)
ROWS = [(hz, 6.25 + k, -30.5 + 8 * k) for k, hz in enumerate(HZ)]


def lines(separator: str, decimal: str = ".") -> str:
    return "\n".join(separator.join(f"{v:g}".replace(".", decimal) for v in row) for row in ROWS)


@pytest.mark.parametrize(
    "text",
    [
        lines("\t"),
        lines(" "),
        lines("   "),
        lines(","),
        lines(", "),
        lines(";"),
        lines(";", ","),
        lines("\t", ","),
        lines(" ", ","),
        "# made up\n* made up\nFrequency Ohm Degrees\n\n" + lines(" ") + " # last\n",
        "\ufeff" + lines(";").replace("\n", ";\r\n"),
    ],
)
def test_every_layout_gives_the_same_numbers(text: str) -> None:
    found = parse_impedance_table(text, name="z.txt")
    assert tuple(found.axis.hz) == HZ
    assert np.abs(found.ohm) == pytest.approx([row[1] for row in ROWS])
    assert np.degrees(np.angle(found.ohm)) == pytest.approx([row[2] for row in ROWS])
    assert found.valid.all()
    assert found.u_ohm[0] == pytest.approx(0.02 * 6.25)
    assert (found.u_deg == 2.0).all()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({3: "100 8.5"}, "2 fields"),
        ({3: "100"}, "1 field"),
        ({3: "100 8.5 1 2"}, "4 fields"),
        ({3: "100 x 1"}, "not a number"),
        ({3: "100 nan 1"}, "not a number"),
        ({3: "nan 8 1"}, "frequency is missing"),
        ({3: "50 8.5 1"}, "50 Hz stands twice"),
        ({3: "100 0 1"}, "magnitude is 0"),
        ({3: "100 2e5 1"}, "magnitude is 200000"),
        ({3: "100 8 -120"}, "phase is -120"),
    ],
)
def test_a_line_that_cannot_be_used_is_named(change: dict[int, str], words: str) -> None:
    text = lines(" ").split("\n")
    for row, line in change.items():
        text[row] = line
    with pytest.raises(FormatError) as caught:
        parse_impedance_table("\n".join(text), name="z.txt")
    assert words in caught.value.what
    assert caught.value.where == "z.txt, line 4"
    assert caught.value.remedy


@pytest.mark.parametrize(
    ("head", "factors"),
    [
        ("Hz\tohm\tdeg", (1.0, 1.0, 1.0)),
        ("f [kHz]\t|Z| [ohm]\tphase [deg]", (1e-3, 1.0, 1.0)),
        ("Hz\tohm\trad", (1.0, 1.0, np.pi / 180)),
    ],
)
def test_titles_name_units_and_uncertainties(head: str, factors: tuple[float, float, float]) -> None:
    """What a table states of itself counts; without it, or where a field is empty, what is assumed."""
    rows = [[v * f for v, f in zip(row, factors, strict=True)] for row in ROWS]
    bare = "\n".join([head, *("\t".join(f"{v:.9g}" for v in row) for row in rows)])
    told = bare.replace(head, head + "\tu ohm\tu deg").split("\n")
    stated = parse_impedance_table(
        "\n".join([told[0], *(f"{row}\t0.5\t0.25" for row in told[1:-1]), told[-1] + "\t\t"]), name="z"
    )
    for found in (parse_impedance_table(bare, name="z"), stated):
        assert found.axis.hz == pytest.approx(HZ)
        assert np.abs(found.ohm) == pytest.approx([row[1] for row in ROWS])
        assert np.degrees(np.angle(found.ohm)) == pytest.approx([row[2] for row in ROWS])
    assert stated.u_ohm[:-1] == pytest.approx(0.5)
    assert stated.u_deg[:-1] == pytest.approx(0.25)
    assert stated.u_ohm[-1] == pytest.approx(0.02 * ROWS[-1][1])


def test_kilohertz_and_radians_are_noticed() -> None:
    khz = "\n".join(f"{hz / 1000} {ohm} {deg}" for hz, ohm, deg in ROWS)
    with pytest.raises(FormatError, match="highest frequency is 20 Hz"):
        parse_impedance_table(khz, name="z")
    radians = "\n".join(f"{hz} {ohm * (1 + k)} {np.radians(deg)}" for k, (hz, ohm, deg) in enumerate(ROWS))
    with pytest.raises(FormatError, match="radians"):
        parse_impedance_table(radians, name="z")
    resistor = "\n".join(f"{hz} 8 0.5" for hz in HZ)
    assert parse_impedance_table(resistor, name="z").valid.all()


def test_a_phase_beyond_90_degrees_is_kept_but_not_trusted() -> None:
    text = lines(" ").replace("-30.5", "-92")
    assert list(parse_impedance_table(text, name="z").valid) == [False, *[True] * 7]


def test_files_that_cannot_be_used_end_in_words(tmp_path: Path) -> None:
    place = tmp_path / "z.txt"
    with pytest.raises(FormatError, match="cannot be opened"):
        read_impedance_table(place)
    place.write_bytes(b"10 8 \x00 1")
    with pytest.raises(FormatError, match="not text"):
        read_impedance_table(place)
    place.write_bytes(b"1 2 3\n" * (2**20))
    with pytest.raises(FormatError, match="too large"):
        read_impedance_table(place)
    place.write_text("# nothing\n", encoding="utf-8")
    with pytest.raises(FormatError, match="empty"):
        read_impedance_table(place)
    with pytest.raises(FormatError, match="commas part the columns"):
        parse_impedance_table("10,5,8,1\n20,5,8,1", name="z")
    for text in (lines(" ").encode("utf-16"), "# Grad \xb0\n".encode("latin-1") + lines(" ").encode()):
        place.write_bytes(text)
        assert len(read_impedance_table(place).axis) == len(HZ)


@pytest.mark.parametrize("bad", [0.0, -1.0, float("nan"), float("inf")])
def test_an_uncertainty_is_positive(bad: float) -> None:
    with pytest.raises(InputError):
        parse_impedance_table(lines(" "), name="z", u_percent=bad)
    with pytest.raises(InputError):
        parse_impedance_table(lines(" "), name="z", u_deg=bad)


@given(st.text(alphabet="0123456789.,;- \t\n#eEnaif", max_size=200))
@settings(deadline=None, derandomize=True, max_examples=50)
def test_any_text_gives_a_table_or_an_error_of_ours(text: str) -> None:
    try:
        found = parse_impedance_table(text, name="z")
    except EarwitnessError:
        return
    assert np.isfinite(found.ohm).all()
