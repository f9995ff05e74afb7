"""Tables of scan points: coordinates by their definitions (AES69-2022, from memory), and a farm of faults."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from earwitness.errors import FormatError
from earwitness.formats.positions_table import parse_positions, positions_text, read_positions


def table(header: str, rows: np.ndarray, *, before: str = "") -> str:
    return before + header + "\n" + "\n".join(",".join(f"{v:.7f}" for v in row) for row in rows) + "\n"


def cloud(count: int = 90) -> np.ndarray:
    rng = np.random.default_rng(1)
    unit = rng.normal(size=(count, 3))
    return 0.4 * unit / np.linalg.norm(unit, axis=1, keepdims=True)


def test_spherical_axes_follow_aes69() -> None:
    rows = np.array([[1.0, 0, 0], [1.0, 90, 0], [1.0, 0, 90], [2.0, 180, 0]])
    found = parse_positions(table("radius m,azimuth deg,elevation deg", rows), name="t", fewest=1)
    assert np.allclose(found.points_m, [[1, 0, 0], [0, 1, 0], [0, 0, 1], [-2, 0, 0]], atol=1e-9)


def test_spherical_against_rotations() -> None:
    # scipy's intrinsic rotations: azimuth about z, then elevation about -y.
    rng = np.random.default_rng(3)
    rows = np.stack([rng.uniform(0.3, 0.6, 90), rng.uniform(-180, 180, 90), rng.uniform(-89, 89, 90)], axis=1)
    found = parse_positions(table("radius m,azimuth deg,elevation deg", rows), name="t")
    turned = Rotation.from_euler("ZY", np.stack([rows[:, 1], -rows[:, 2]], axis=1), degrees=True)
    assert np.allclose(found.points_m, turned.apply(np.array([1.0, 0, 0])) * rows[:, :1], atol=1e-6)


def test_cylindrical_units_and_origin() -> None:
    rows = np.array([[300.0, 90.0, -200.0], [400.0, 0.0, 100.0]])
    text = table("rho mm;azimuth deg;z mm", rows, before="# origin: 0.0, 0.0, -0.1\n").replace(",", ";")
    text = text.replace("# origin: 0.0; 0.0; -0.1", "# origin: 0.0, 0.0, -0.1")
    found = parse_positions(text, name="t", fewest=1)
    assert np.allclose(found.points_m, [[0, 0.3, -0.3], [0.4, 0, 0.0]], atol=1e-9)
    assert found.kind == "cylindrical"
    commas = parse_positions(text.replace("# origin: 0.0, 0.0, -0.1\n", "").replace(".", ","), name="t", fewest=1)
    assert np.allclose(commas.points_m, found.points_m + np.array([0, 0, 0.1]), atol=1e-9)


@settings(deadline=None, derandomize=True, max_examples=20)
@given(st.integers(80, 200))
def test_written_tables_read_back(count: int) -> None:
    points = cloud(count)
    names = tuple(f"p{n}.flac" for n in range(count))
    found = parse_positions(positions_text(points, ("inner",) * count, files=names, note="made"), name="t")
    assert np.abs(found.points_m - points).max() <= 0.6e-5
    assert found.files == names
    assert set(found.surfaces) == {"inner"}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda t: t.replace("x m,", "x,"), "does not tell its unit"),
        (lambda t: t.replace("x m,", "width m,"), "not known"),
        (lambda t: t.replace("x m,", "z m,"), "no set of coordinates"),
        (lambda t: t + "nan,0.1,0.2\n", "not a number"),
        (lambda t: t + "0.1,0.2\n", "has 2 columns"),
        (lambda t: "\n".join(t.splitlines()[:20]), "19 points"),
        (lambda t: t + t.splitlines()[5] + "\n", "stands twice"),
        (lambda t: "# origin: here\n" + t, "origin"),
        (lambda _t: "", "empty"),
    ],
)
def test_faults_are_told(change, words: str) -> None:
    with pytest.raises(FormatError, match=words) as caught:
        parse_positions(change(table("x m,y m,z m", cloud())), name="points.csv")
    assert "points.csv" in caught.value.where
    assert caught.value.remedy


def test_millimeters_written_as_meters_are_suspected() -> None:
    with pytest.raises(FormatError, match="millimeters") as caught:
        parse_positions(table("x m,y m,z m", 1000 * cloud()), name="points.csv")
    assert "x mm" in caught.value.remedy
    assert np.allclose(parse_positions(table("x mm,y mm,z mm", 1000 * cloud()), name="t").points_m, cloud(), atol=1e-9)


def test_a_missing_or_binary_file(tmp_path) -> None:
    with pytest.raises(FormatError, match="cannot be opened"):
        read_positions(tmp_path / "none.csv")
    (tmp_path / "b.csv").write_bytes(b"x m,y m\0")
    with pytest.raises(FormatError, match="not text"):
        read_positions(tmp_path / "b.csv")
