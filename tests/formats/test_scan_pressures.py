"""Scans as complex pressures, read back as they were written; and what is wrong with some."""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.errors import FormatError
from earwitness.formats.scan_pressures import HEADER, read_scan_pressures
from earwitness.formats.sofa import write_sofa
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


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda t: t[1:], "name the columns"),
        (lambda t: t[:-1], "once each"),
        (lambda t: [*t, t[1]], "once each"),
        (lambda t: [*t[:-1], "a,b,c,d,e,f"], "six numbers"),
        (lambda t: [*t[:-1], "nan,0,0,50,1,1"], "not numbers"),
    ],
)
def test_faults(tmp_path, change, words: str) -> None:
    path = tmp_path / "scan.csv"
    path.write_text("\n".join(change([",".join(HEADER), *rows()])), encoding="utf-8")
    with pytest.raises(FormatError, match=words) as caught:
        read_scan_pressures(path)
    assert caught.value.remedy
