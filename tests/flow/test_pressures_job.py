"""Scans that come as pressures through the whole job: taken in, read, mended, matched and published."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from pressure_scans import BALL, HEAD, take_of, write_csv, write_sofa

from demo_truth import scan_pressure
from earwitness.cli import main
from earwitness.demo.scan import scan_points

pytestmark = pytest.mark.slow

SMALL = HEAD.format(name="Midge", side=0.02, cone=0.015)
REFERENCE_M = (-0.18, 0.5, 0.0)
ROOM_HZ = np.geomspace(50.0, 1250.0, 17)
FREE_HZ = 20.0 * 2.0 ** (np.arange(0, 80) / 8)


def small_source(points: np.ndarray, hz: np.ndarray) -> np.ndarray:
    """(P, F) two point sources e^(-jkr)/r 2 cm apart, rolling off below 60 Hz."""
    k = 2 * np.pi * hz / 343.0
    slope = 0.05 * (1j * hz / 60) ** 2 / ((1j * hz / 60) ** 2 + 1.4j * hz / 60 + 1)
    away = [np.linalg.norm(points - place, axis=-1)[:, None] for place in ([-0.012, 0, 0.01], [-0.012, 0.006, -0.008])]
    return slope * sum(size * np.exp(-1j * k * r) / r for size, r in zip((1.0, 0.4), away, strict=True))


def run(*line: str) -> str:
    done = CliRunner().invoke(main, list(line))
    assert done.exit_code == 0, f"{line}: {done.output}"
    # Progress of slow machines goes to the other stream.
    return done.stdout


def figures(name: str, archive: Path) -> dict[str, dict]:
    """Every figure as read, with its uncertainty or the reason why it is not judged."""
    return dict(json.loads(run("read", name, "--json", "--archive", str(archive)))["figures"])


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Archives "csv", "sofa", "free" and "free-csv", one loudspeaker each; two points of each scan are bad."""
    folder = tmp_path_factory.mktemp("pressures")
    points = scan_points("thimble", points=784)
    # A place is visited before every 98 points and at the end: no points of the scan.
    stops = np.append(np.arange(0, 784, 98), 784)
    told, true = (np.insert(one, stops, REFERENCE_M, axis=0) for one in (points.nominal_m, points.true_m))
    heard = scan_pressure("thimble", true, ROOM_HZ)
    heard[[18, 103]] *= 1.6
    rng = np.random.default_rng(3)
    heard *= 1 + 1e-4 * rng.normal(size=heard.shape)
    free_at = rng.normal(size=(150, 3))
    free_at = 0.3 * free_at / np.linalg.norm(free_at, axis=1)[:, None] + np.array([-0.01, 0.0, 0.0])
    free = small_source(free_at, FREE_HZ)
    free[[20, 90]] *= 1.6
    cases = {
        "csv": (told, ROOM_HZ, heard, write_csv, BALL + take_of("scan.csv")),
        "sofa": (told, ROOM_HZ, heard, write_sofa, BALL + take_of("scan.sofa")),
        "free": (free_at, FREE_HZ, free, write_sofa, SMALL + "[environment]\nanechoic = true\n" + take_of("scan.sofa")),
        "free-csv": (free_at, FREE_HZ, free, write_csv, SMALL + take_of("scan.csv", 'sound = "free field"\n')),
    }
    for key, (places, hz, pressure, write, text) in cases.items():
        session = folder / f"session-{key}"
        session.mkdir()
        write(session / ("scan.csv" if write is write_csv else "scan.sofa"), places, hz, pressure)
        (session / "session.toml").write_text(text, encoding="utf-8")
        said = run("add", str(session), "--archive", str(folder / key))
        (folder / f"{key}.txt").write_text(said, encoding="utf-8")
    return folder


@pytest.mark.parametrize(
    ("name", "one", "other", "least"), [("Thimble Two", "csv", "sofa", 0), ("Midge", "free", "free-csv", 15)]
)
def test_a_sofa_file_and_a_table_give_the_same_figures(
    place: Path, name: str, one: str, other: str, least: int
) -> None:
    mine, theirs = figures(name, place / one), figures(name, place / other)
    assert mine.keys() == theirs.keys()
    judged = 0
    for key, figure in mine.items():
        # The table holds places to a micrometer; lineage names the file itself.
        for part in ("value", "uncertainty"):
            first, second = figure[part], theirs[key][part]
            assert (first is None) == (second is None)
            judged += part == "value" and first is not None
            assert first is None or isinstance(first, str) or first == pytest.approx(second, rel=1e-3, abs=1e-3)
        assert figure["not_judged"] == theirs[key]["not_judged"]
    assert judged >= least


@pytest.mark.parametrize(("key", "count"), [("csv", 784), ("sofa", 784), ("free", 150), ("free-csv", 150)])
def test_bad_points_are_told_when_the_scan_is_taken_in(place: Path, key: str, count: int) -> None:
    said = (place / f"{key}.txt").read_text(encoding="utf-8")
    # Two were spoiled; a neighbor may go with them.
    assert re.search(rf"[23] of {count} scan points were left out", said)


# What asks for the terminals, or for takes at several levels.
BESIDE = re.compile(
    "impedance|load|phase|power_factor|epdr|box_|closed_|drawn_|distortion|intermod|multitone|compress|clean|burst|1w"
)


def test_free_field_pressures_to_the_treble_give_the_full_set(place: Path) -> None:
    found = figures("Midge", place / "free")
    missing = [key for key, figure in found.items() if figure["value"] is None and not BESIDE.search(key)]
    assert missing == []
    assert sum(figure["value"] is not None for figure in found.values()) > 15


@pytest.mark.parametrize(("key", "name"), [("csv", "Thimble Two"), ("sofa", "Thimble Two"), ("free", "Midge")])
def test_mended_matched_and_published(place: Path, tmp_path: Path, key: str, name: str) -> None:
    archive = ("--archive", str(place / key))
    assert run("mend", name, *archive)
    assert run("match", name, *archive)
    run("publish", name, "--to", str(tmp_path / "review"), *archive)
    page = (tmp_path / "review" / "index.html").read_text(encoding="utf-8")
    assert "scan" in page
