"""A scan that comes as pressures, and the farm of bad scan folders, through the same door as every session."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from pressure_scans import BALL, take_of, write_csv, write_sofa

from demo_truth import scan_pressure
from earwitness.demo.scan import scan_points
from earwitness.demo.world import true_pressure
from earwitness.errors import InputError, SessionError
from earwitness.formats.audio import read_audio
from earwitness.formats.scan_pressures import read_scan_pressures
from earwitness.reduce.flow import reduce_session
from earwitness.session.load import load_session
from earwitness.session.session import Session

MILLIMETERS = "".join(f"{400 + n},0,100\n" for n in range(80))
HZ = np.geomspace(100.0, 600.0, 14)


def pressures_folder(folder: Path, points: np.ndarray, pressure: np.ndarray) -> Session:
    write_csv(folder / "scan.csv", points, HZ, pressure)
    (folder / "session.toml").write_text(BALL + take_of("scan.csv"), encoding="utf-8")
    return load_session(folder)


@pytest.fixture(scope="module")
def scan() -> tuple[np.ndarray, np.ndarray]:
    places = scan_points("thimble", points=256)
    return places.nominal_m, scan_pressure("thimble", places.true_m, HZ)


def reduced(session: Session, folder: Path):
    return reduce_session(
        session, lambda name: read_audio(folder / name), pressures=read_scan_pressures(folder / "scan.csv")
    )


def test_pressures_give_the_field(tmp_path: Path, scan: tuple[np.ndarray, np.ndarray]) -> None:
    # The exact series of the simulated body; between the scan's frequencies 1/5 octave is drawn.
    found = reduced(pressures_folder(tmp_path, *scan), tmp_path)
    response, hz = found.response, found.response.axis.hz
    shown = (hz > 105) & (hz < 450)
    assert response.valid[:, shown].mean() > 0.99
    assert not response.valid[:, (hz < 99) | (hz > 605)].any()
    level = np.maximum(np.abs(response.pressure), 1e-12)
    error = 20 * np.log10(level / np.abs(true_pressure("thimble", response.directions, hz)))
    assert np.sqrt(np.mean(error[:, shown] ** 2)) <= 0.2
    # What the scan says of its own doubt reaches the measurement: its rig, its noise, the drawing between frequencies.
    assert {"rig of the scan", "noise of the scan", "levels between the table's frequencies"} <= {
        cause.name for cause in response.causes
    }
    assert {"rig of the scan", "noise of the scan"} <= {line.name for line in found.budget}
    assert np.mean(np.abs(error) <= 2 * response.u_total_db(), where=response.valid) >= 0.93
    assert found.scan is not None
    assert found.gate.source.startswith("no gate")
    assert np.abs(found.impulse).max() > 0


def test_a_sofa_file_gives_the_same_field(tmp_path: Path, scan: tuple[np.ndarray, np.ndarray]) -> None:
    points, pressure = scan
    write_sofa(tmp_path / "scan.sofa", points, HZ, pressure)
    (tmp_path / "csv").mkdir()
    table = reduced(pressures_folder(tmp_path / "csv", points, pressure), tmp_path / "csv")
    (tmp_path / "session.toml").write_text(BALL + take_of("scan.sofa"), encoding="utf-8")
    found = reduce_session(
        load_session(tmp_path),
        lambda name: read_audio(tmp_path / name),
        pressures=read_scan_pressures(tmp_path / "scan.sofa"),
    )
    one, other = found.response, table.response
    assert (one.valid == other.valid).all()
    assert np.allclose(one.pressure, other.pressure, atol=1e-6 * np.abs(other.pressure).max())
    assert found.scan is not None
    assert found.scan.points == len(points)


@pytest.mark.parametrize(
    ("scale", "count", "words"),
    [(1000.0, 256, "325 m around"), (1.0, 60, "at least 75"), (0.001, 256, "mm from|inside|different places")],
)
def test_bad_scans_end_in_words(
    tmp_path: Path, scan: tuple[np.ndarray, np.ndarray], scale: float, count: int, words: str
) -> None:
    points, pressure = scan
    step = len(points) // count
    with pytest.raises((InputError, SessionError), match=words):
        reduced(pressures_folder(tmp_path, scale * points[::step][:count], pressure[::step][:count]), tmp_path)


def test_one_surface_is_refused(tmp_path: Path, scan: tuple[np.ndarray, np.ndarray]) -> None:
    half = len(scan[0]) // 2
    with pytest.raises(InputError, match="one surface"):
        reduced(pressures_folder(tmp_path, scan[0][:half], scan[1][:half]), tmp_path)


def test_scan_and_orbits_do_not_mix(tmp_path: Path, scan: tuple[np.ndarray, np.ndarray]) -> None:
    pressures_folder(tmp_path, *scan)
    text = (tmp_path / "session.toml").read_text(encoding="utf-8")
    more = '[[take]]\nkind = "far-field"\norbit = "horizontal"\nangle_deg = 0.0\ndistance_m = 2.0\nfile = "scan.csv"\n'
    (tmp_path / "session.toml").write_text(text + more, encoding="utf-8")
    with pytest.raises(SessionError) as caught:
        load_session(tmp_path)
    assert any("stand in one session" in fault.what for fault in caught.value.faults)


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ("x m,y m,z m\n0.4,nan,0.1\n", "nan"),
        (f"x m,y m,z m\n{MILLIMETERS}", "m around"),
        ("x,y,z\n0.4,0,0\n", "m"),
    ],
)
def test_bad_tables_are_faults_with_their_file(tmp_path: Path, table: str, words: str) -> None:
    (tmp_path / "p.csv").write_text(table, encoding="utf-8")
    take = '[[take]]\nkind = "scan"\npositions = "p.csv"\nfiles = "p_{point}.flac"\n'
    (tmp_path / "session.toml").write_text(BALL + take, encoding="utf-8")
    with pytest.raises(SessionError) as caught:
        load_session(tmp_path)
    fault = next(one for one in caught.value.faults if one.field == "take.positions")
    assert re.search(words, f"{fault.what} {fault.expected}")
