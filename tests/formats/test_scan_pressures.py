"""Scans as complex pressures, read back as they were written; and what is wrong with some."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
import sofar

from earwitness.errors import FormatError
from earwitness.formats.scan_pressures import HEADER, read_scan_pressures
from earwitness.formats.sofa import write_sofa
from earwitness.formats.table import parse_table
from earwitness.quantities import DirectionalResponse, FrequencyAxis
from earwitness.quantities.directions import cta_orbits

RNG = np.random.default_rng(8)
POINTS = RNG.uniform(-0.4, 0.4, (12, 3)).round(4)
HZ = np.array([50.0, 100.0, 400.0])
PRESSURE = RNG.normal(size=(12, 3)) + 1j * RNG.normal(size=(12, 3))


def rows() -> list[str]:
    return [
        ",".join(repr(float(v)) for v in (*point, one, PRESSURE[p, f].real, PRESSURE[p, f].imag))
        for p, point in enumerate(POINTS)
        for f, one in enumerate(HZ)
    ]


def test_a_table(tmp_path) -> None:
    path = tmp_path / "scan.csv"
    path.write_text("# made\n" + ",".join(HEADER) + "\n" + "\n".join(rows()), encoding="utf-8")
    found = read_scan_pressures(path)
    assert np.allclose(found.points_m, POINTS)
    assert np.allclose(found.hz, HZ)
    assert np.allclose(found.pressure, PRESSURE)


def test_a_table_as_an_office_program_writes_it(tmp_path) -> None:
    # Semicolons, decimal commas, CRLF, a byte-order mark; a bad point as missing numbers; the title once more midway.
    lines = [row.replace(",", ";").replace(".", ",") for row in (",".join(HEADER), *rows())]
    lines[4:7] = [";".join([*line.split(";")[:4], "nan", "nan"]) for line in lines[4:7]]
    lines.insert(19, lines[0])
    path = tmp_path / "scan.csv"
    path.write_bytes("\r\n".join(lines).encode("utf-8-sig"))
    found = read_scan_pressures(path)
    assert np.allclose(found.points_m, POINTS)
    assert np.isnan(found.pressure[1]).all()
    assert np.allclose(np.delete(found.pressure, 1, axis=0), np.delete(PRESSURE, 1, axis=0))


@pytest.mark.parametrize("by", ["point", "frequency"])
def test_a_place_visited_again_is_a_point_of_its_own(tmp_path, by: str) -> None:
    # The first place again after the fourth and at the end; rows sorted by point, or by frequency as columns export.
    visits = [0, 1, 2, 3, 0, *range(4, 12), 0]
    values = [np.append(POINTS[p], (HZ[f], n + 1.0, -f)) for n, p in enumerate(visits) for f in range(3)]
    if by == "frequency":
        values = values[::3] + values[1::3] + values[2::3]
    lines = [",".join(repr(float(v)) for v in row) for row in values]
    path = tmp_path / "scan.csv"
    path.write_text("\n".join([",".join(HEADER), *lines]), encoding="utf-8")
    found = read_scan_pressures(path)
    assert np.allclose(found.points_m, POINTS[visits])
    assert np.allclose(found.pressure, np.arange(1, 15)[:, None] - 1j * np.arange(3))


def test_a_sofa_file(tmp_path) -> None:
    # Written through sofar, which checks it against the convention; receivers stand at 1 m there.
    directions = cta_orbits()
    pressure = RNG.normal(size=(70, 3)) + 1j * RNG.normal(size=(70, 3))
    response = DirectionalResponse(
        FrequencyAxis(HZ), directions, pressure, np.ones((70, 3)), np.ones(3), np.ones((70, 3), dtype=bool)
    )
    write_sofa(tmp_path / "scan.sofa", response, title="t", description="d", license="l")
    found = read_scan_pressures(tmp_path / "scan.sofa")
    assert np.allclose(found.points_m, directions.unit_vectors(), atol=1e-9)
    assert np.allclose(found.pressure, pressure)


def seen_by_the_source(tmp_path, name: str, *, source_m, view, up, listener_m=(0.0, 0.0, 0.0)) -> np.ndarray:
    """Places of receivers that a SOFA file tells in its own coordinates, as the reader hands them back."""
    sofa = sofar.Sofa("FreeFieldDirectivityTF", version="1.1")
    sofa.ReceiverPosition, sofa.ReceiverPosition_Type, sofa.ReceiverPosition_Units = POINTS, "cartesian", "metre"
    sofa.SourcePosition, sofa.SourcePosition_Type, sofa.SourcePosition_Units = source_m, "cartesian", "metre"
    sofa.SourceView, sofa.SourceView_Type, sofa.SourceView_Units = view, "cartesian", "metre"
    sofa.SourceUp, sofa.ListenerPosition = up, listener_m
    sofa.N, sofa.Data_Real, sofa.Data_Imag = HZ, PRESSURE.real[np.newaxis], PRESSURE.imag[np.newaxis]
    for name_of in ("MIDINote", "SourceTuningFrequency", "Description", "EmitterDescriptions"):
        if hasattr(sofa, name_of):
            sofa.delete(name_of)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        sofar.write_sofa(str(tmp_path / name), sofa)
    return read_scan_pressures(tmp_path / name).points_m


def test_a_source_that_looks_elsewhere_is_turned_to_the_axes_of_a_session(tmp_path) -> None:
    # AES69: receivers count from the listener, views are vectors. A source at (1, 2, 3) that looks along +y with z up
    # has +y ahead and -x to its left.
    found = seen_by_the_source(
        tmp_path, "a.sofa", source_m=(1.0, 2.0, 3.0), view=(0.0, 1.0, 0.0), up=(0.0, 0.0, 1.0),
        listener_m=(1.0, 2.0, 3.0),
    )  # fmt: skip
    assert np.allclose(found, np.stack([POINTS[:, 1], -POINTS[:, 0], POINTS[:, 2]], axis=1), atol=1e-9)
    # Looking down its own +x with +y upward: what stood up now lies to its right.
    turned = seen_by_the_source(
        tmp_path, "b.sofa", source_m=(0.0, 0.0, 0.0), view=(1.0, 0.0, 0.0), up=(0.0, 1.0, 0.0)
    )  # fmt: skip
    assert np.allclose(turned, np.stack([POINTS[:, 0], -POINTS[:, 2], POINTS[:, 1]], axis=1), atol=1e-9)


def test_a_source_that_looks_nowhere_is_refused(tmp_path) -> None:
    with pytest.raises(FormatError, match="same way"):
        seen_by_the_source(tmp_path, "a.sofa", source_m=(0.0, 0.0, 0.0), view=(0.0, 0.0, 1.0), up=(0.0, 0.0, 1.0))


def test_a_kept_file_is_known_by_its_content(tmp_path) -> None:
    # The archive names files by their hash, without a suffix.
    told = seen_by_the_source(tmp_path, "a.sofa", source_m=(0.0, 0.0, 0.0), view=(1.0, 0.0, 0.0), up=(0.0, 0.0, 1.0))
    kept = tmp_path / "3f9c"
    kept.write_bytes((tmp_path / "a.sofa").read_bytes())
    assert np.array_equal(read_scan_pressures(kept).points_m, told)
    table = tmp_path / "77ab"
    table.write_text(",".join(HEADER) + "\n" + "\n".join(rows()), encoding="utf-8")
    assert np.allclose(read_scan_pressures(table).points_m, POINTS)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda t: t[1:], "name the columns"),
        (lambda t: t[:-1], "once each"),
        (lambda t: [*t, t[1]], "once each"),
        (lambda t: [*t, *t[1:4]], "copies, not further visits"),
        (lambda t: [*t[:-1], "0.1,0.2,O.3,400,1,1"], "'O.3' is not a number"),
        (lambda t: [*t[:-1], "0.1,0.2,0.3"], "the line has 3 fields, the other rows have 6"),
        (lambda t: [*t[:-1], "a,b,c,d,e,f"], "once each"),
        (lambda t: [row + ",7" for row in t], "name the columns"),
        (lambda t: [t[0], *(row + ",7" for row in t[1:])], "six numbers each"),
        (lambda t: [*t[:-1], "nan,0,0,50,1,1"], "not numbers"),
    ],
)
def test_faults(tmp_path, change, words: str) -> None:
    path = tmp_path / "scan.csv"
    path.write_text("\n".join(change([",".join(HEADER), *rows()])), encoding="utf-8")
    with pytest.raises(FormatError, match=words) as caught:
        read_scan_pressures(path)
    assert caught.value.remedy


@pytest.mark.parametrize("missing", ["1", "nan"])
def test_rows_beyond_the_limit_are_refused_and_not_left_out(missing: str) -> None:
    text = "\n".join(["# made", "a,b", *(f"{n}.5,{missing}" for n in range(9))])
    assert len(parse_table(text, name="x", most_rows=12).blocks[0].values) == 9
    with pytest.raises(FormatError, match="more than 8 rows"):
        parse_table(text, name="x", most_rows=8)
